"""What the nursery does once, so that no process forked from it does it again."""

import contextlib
import dataclasses
import functools
import io
import os
import sys
from collections.abc import Container
from importlib import metadata
from importlib.machinery import SourceFileLoader
from pathlib import Path
from tempfile import TemporaryDirectory
from types import CodeType
from typing import Any

COMMANDS = (
    "import a.txt --part quartz-16mhz-30ppm --device A",
    "import a.txt --part quartz-16mhz-30ppm --device B --json",
    *("runs", "runs --json", "show 1", "show 1 --json", "devices", "results", "lots"),
    *("stability 1", "temperature 1", "ageing 1", "fitness 1", "compare 1 2"),
    *("judge 1 --part quartz-16mhz-50ppm", "correct 2 --device C --reason x"),
    *("void 2 --reason x", "export 1", "export 1 --format jsonl --out a.jsonl"),
    *("import a.jsonl --db b.db", "backup c.db", "check", "merge b.db"),
    *("parts", "parts show rc-8mhz-delivered", "bench", "bench show counter-tcp"),
    *("bench new x --counter h:1 --dry-run", "defaults", "sequences", "help figures"),
)
"""What starts no process and draws nothing, one of a kind."""


def keep_what_is_compiled(rooms: Container[str]) -> None:
    """Let a fork that imports ours afresh read and compile nothing a second time.

    A module's body runs as ever. Dataclasses write texts and compile them; that took
    half of an import.
    """
    kept: dict[tuple[str, str], CodeType | None] = {}
    read = SourceFileLoader.get_code

    def get_code(loader: SourceFileLoader, name: str) -> CodeType | None:
        if name.partition(".")[0] not in rooms:
            return read(loader, name)
        file = (name, loader.path)
        if file not in kept:
            kept[file] = read(loader, name)
        return kept[file]

    @functools.cache
    def compiled(text: str) -> CodeType:
        return compile(text, "<string>", "exec")

    def execute(text: str, *spaces: Any) -> None:
        exec(compiled(text), *spaces)

    SourceFileLoader.get_code = get_code  # type: ignore[method-assign]
    dataclasses.exec = execute  # type: ignore[attr-defined]


def find_drivers_once() -> None:
    """Let a fork look for packages with drivers only where this process did not.

    That takes 5 ms, and each process that opens an instrument does it.
    """
    usual, look = sys.path[1:], metadata.entry_points
    kept, known = look(), {package.name for package in metadata.distributions()}

    def entry_points(**which: str) -> metadata.EntryPoints:
        near = list(metadata.distributions(path=sys.path[: -len(usual)]))
        shadowed = any(package.name in known for package in near)
        if shadowed or sys.path[-len(usual) :] != usual:
            return look(**which)
        offered = metadata.EntryPoints(
            point for package in near for point in package.entry_points
        )
        return metadata.EntryPoints((*offered.select(**which), *kept.select(**which)))

    metadata.entry_points = entry_points  # type: ignore[assignment]


def collect_constants_once() -> None:
    """Let hypothesis look here for the constants of benchlog, from which it draws.

    A worker then looks for those of what it has imported itself: 0.4 s less for each.
    """
    if "hypothesis" not in sys.modules:
        return
    from hypothesis import configuration
    from hypothesis.internal.conjecture import providers

    if (
        "HYPOTHESIS_STORAGE_DIRECTORY" not in os.environ
    ):  # not where a test happens to be
        configuration.set_hypothesis_home_dir(Path(__file__).parents[1] / ".hypothesis")
    # private: hypothesis has no public way to do this before its first test
    providers._get_local_constants()
    # a worker's own plugin of hypothesis begins anew
    configuration.notice_initialization_restarted(warn=False)


def try_usual_replies_once() -> None:
    """Keep how the trial of the usual reply pattern came out; it takes 5 ms."""
    from benchlog import registry
    from benchlog.driver_kit.reply_patterns import pattern_fault
    from benchlog.model import Dialect

    registry.names()
    pattern_fault(Dialect(name="", talks="scpi", commands={}).reply)


def type_commands_once() -> None:
    """Keep what any command works out first: checks of types, tables of figures.

    That takes half of the time of a command that only looks. Nothing that depends on
    an environment, a folder or a database is kept: the house has no global state, and
    its caches are of pure functions and of files that it ships.
    """
    from benchlog.cli import root

    before, folder = dict(os.environ), os.getcwd()
    with TemporaryDirectory() as away, contextlib.ExitStack() as quiet:
        quiet.callback(os.chdir, folder)
        quiet.enter_context(contextlib.redirect_stdout(io.StringIO()))
        quiet.enter_context(contextlib.redirect_stderr(io.StringIO()))
        os.chdir(away)
        for name in ("BENCHLOG_DB", "XDG_CONFIG_HOME", "XDG_DATA_HOME"):
            os.environ[name] = f"{away}/{name}"
        os.environ["XDG_STATE_HOME"] = f"{away}/state"
        lines = "".join(f"{k} {16_000_000 + k % 3}\n" for k in range(40))
        Path("a.txt").write_text(lines)
        for words in COMMANDS:
            with contextlib.suppress(SystemExit):
                root.main(words.split(), prog_name="benchlog")
    os.environ.clear()
    os.environ.update(before)
