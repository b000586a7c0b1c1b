"""The documents are tested: every command they show is run, every command is shown.

A fenced block ```console holds lines that begin with `$ `; the lines between are what
is printed and are not compared. Lines that begin with `$ benchlog` are run, in order
and in one temporary folder per document, with a database of its own; one that ends in
` &` runs beside the others to the end of the document, one behind ` | ` is fed. Bench
time runs faster. A block that cannot be run here (it needs an instrument, or a network)
has a comment right before it, with the reason::

    <!-- not run: needs a counter on the bench -->

What a page takes for granted, such as a bench, is a comment that holds one command, run
at that place and shown to nobody::

    <!-- set-up: benchlog simulate --bench-out configs/benches/corner-bench.toml & -->

Every day the README is run, and what costs next to nothing (`EVERY_DAY`); the other
pages are a campaign. All commands of all pages, also of blocks
that are not run, are parsed every day.
"""

import functools
import os
import re
import shlex
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from warm_program import PROGRAM, Program, run

from benchlog.cli import root
from benchlog.cli.command import COMMANDS, WithExamples
from benchlog.clock import host_deadline, host_sleep
from benchlog.manual import TOPICS

TOP = Path(__file__).parents[1]
PAGES = [f"benchlog/manual/{topic}.md" for topic in TOPICS]
DOCUMENTS = ["README.md", "DEVELOPERS.md", *PAGES]
SELDOM = {
    *("comparison", "drift", "drivers", "exchange", "figures", "first-device"),
    *("inspection", "metrics", "noise", "over-temperature", "overnight", "pulses"),
    *("rc-oscillators", "records", "scripts", "simulated-bench", "time-base", "uses"),
}
"""Topics that need benches, runs and pages; their commands have tests of their own."""
EVERY_DAY = [
    pytest.param(name, marks=pytest.mark.campaign)
    if Path(name).stem in SELDOM
    else name
    for name in DOCUMENTS
]
BLOCK = re.compile(
    r"^<!-- set-up: (?P<setup>[^>]+?) -->$"
    r"|(?:<!-- not run: (?P<why>[^>]+?) -->\s*\n)?^```console\n(?P<text>.*?)^```$",
    re.MULTILINE | re.DOTALL,
)
FILE = re.compile(r"[\w.-]+\.(csv|db|jsonl|xz)")
DONE = (0, 3, 4)
"""Exit codes of a command that did its job: a verdict is no error."""


@dataclass(frozen=True)
class Block:
    document: str
    line: int
    text: str
    why_not_run: str | None

    def commands(self) -> list[list[str]]:
        joined = self.text.replace("\\\n", " ")
        lines = [line[2:] for line in joined.splitlines() if line.startswith("$ ")]
        return [shlex.split(line, comments=True) for line in lines]


def blocks_of(document: str, text: str) -> list[Block]:
    found = []
    for match in BLOCK.finditer(text):
        part = "text" if match["setup"] is None else "setup"
        line = text[: match.start(part)].count("\n") + 1
        shown = match["text"] if part == "text" else f"$ {match['setup']}"
        found.append(Block(document, line, shown, match["why"]))
    return found


def all_blocks() -> list[Block]:
    texts = {name: (TOP / name).read_text("utf-8") for name in DOCUMENTS}
    return [block for name in texts for block in blocks_of(name, texts[name])]


@pytest.mark.parametrize("document", EVERY_DAY)
def test_commands_of_a_document_do_their_job(document: str, tmp_path: Path) -> None:
    (tmp_path / "configs" / "benches").mkdir(parents=True)
    with ExitStack() as beside:
        for block in all_blocks():
            if block.document == document and block.why_not_run is None:
                run_block(block, tmp_path, beside)


def run_block(block: Block, folder: Path, beside: ExitStack) -> None:
    environment = {
        **os.environ,
        "BENCHLOG_DB": str(folder / "docs.db"),
        "XDG_DATA_HOME": str(folder / "data"),
        "XDG_STATE_HOME": str(folder / "state"),
        "NO_COLOR": "1",
        "BENCHLOG_TIME_SCALE": "20",
    }
    for words in block.commands():
        before, bar, after = partition(words)
        if after[:1] != ["benchlog"]:
            continue
        program = [*PROGRAM, *after[1:]]
        first = (block.document, block.line, shlex.join(words)) in first_shown()
        if after[-1] == "&":
            beside.enter_context(running(program[:-1], folder, environment, first))
            continue
        fed = subprocess.run(before, capture_output=True, check=True) if bar else None
        done = run(
            program,
            afresh=first,
            cwd=folder,
            env=environment,
            input="" if fed is None else fed.stdout.decode(),
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        said = f"{block.document}:{block.line}: {shlex.join(words)}\n{done.stderr}"
        assert done.returncode in DONE, said


@functools.cache
def first_shown() -> set[tuple[str, int, str]]:
    """Return where each command is shown first, of those that are run.

    There it imports our modules itself. That no files import each other, late imports
    included, is tested for all of them (`house/test_house.py`).
    """
    found: dict[str, tuple[str, int, str]] = {}
    for block in all_blocks():
        for words in block.commands() if block.why_not_run is None else ():
            after = partition(words)[2]
            if after[:1] == ["benchlog"]:
                place = (block.document, block.line, shlex.join(words))
                found.setdefault(after[1], place)
    return set(found.values())


@pytest.mark.parametrize("document", DOCUMENTS)
def test_commands_of_a_document_are_understood(
    document: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Names, options and what they may be, also where nothing is run."""
    monkeypatch.chdir(tmp_path)
    Path("factory").mkdir()  # the data set that is read
    monkeypatch.setattr(click.Command, "invoke", lambda *_: None)
    monkeypatch.setattr(WithExamples, "invoke", go_down)
    for block in all_blocks():
        for words in block.commands() if block.document == document else ():
            typed = partition(words)[2]
            if typed[:1] == ["benchlog"] and "$" not in "".join(typed):
                for name in filter(FILE.fullmatch, typed):  # as if it had been written
                    Path(name).touch()
                done = CliRunner().invoke(root, [w for w in typed[1:] if w != "&"])
                place = f"{block.document}:{block.line}: {shlex.join(words)}"
                assert done.exit_code == 0, f"{place}\n{done.output}"


def go_down(command: click.Command, context: click.Context) -> None:
    """Read what is behind the name of a group, too."""
    if isinstance(command, click.Group):
        click.Group.invoke(command, context)


def partition(words: list[str]) -> tuple[list[str], bool, list[str]]:
    """Return what stands before a bar, whether there is one, and what is behind it."""
    if "|" not in words:
        return [], False, words
    at = words.index("|")
    return words[:at], True, words[at + 1 :]


@contextmanager
def running(
    program: list[str], folder: Path, environment: dict[str, str], afresh: bool
) -> Iterator[None]:
    """Run a program beside the others; it is there once its bench file is."""
    bench = folder / program[program.index("--bench-out") + 1]
    with Program(
        program, cwd=folder, env=environment, stdout=subprocess.DEVNULL, afresh=afresh
    ) as process:
        limit = host_deadline(30)
        try:
            while not bench.exists():
                assert process.poll() is None and not limit.passed
                host_sleep(0.05)
            yield
        finally:
            process.terminate()


def test_blocks_are_found_with_their_reason_and_continued_lines() -> None:
    text = (
        "words\n```console\n$ benchlog runs \\\n    --json\nprinted\n$ ls\n```\n"
        "<!-- not run: no counter -->\n```console\n$ benchlog ports\n```\n"
    )
    text += "<!-- set-up: benchlog simulate & -->\n"
    first, second, third = blocks_of("X.md", text)
    assert first.commands() == [["benchlog", "runs", "--json"], ["ls"]]
    assert (first.why_not_run, first.line) == (None, 3)
    assert second.why_not_run == "no counter"
    assert third.commands() == [["benchlog", "simulate", "&"]]
    assert (third.why_not_run, third.line) == (None, 12)


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_command_is_in_the_readme(name: str) -> None:
    text = (TOP / "README.md").read_text("utf-8")
    assert re.search(rf"benchlog {re.escape(name)}\b", text), f"README lacks {name}"


def test_the_readme_lists_every_topic_as_help_does() -> None:
    text = (TOP / "README.md").read_text("utf-8")
    listed = re.findall(r"^\| `([a-z-]+)` \| (.+) \| (.+) \|$", text, re.MULTILINE)
    assert listed == [
        (
            name,
            ", ".join(f"`benchlog {one}`" for one in topic.commands) or "-",
            topic.line,
        )
        for name, topic in TOPICS.items()
    ]


def test_documents_show_no_command_that_is_not_there() -> None:
    shown = {
        words[1]
        for block in all_blocks()
        for words in block.commands()
        if words[:1] == ["benchlog"] and len(words) > 1
    }
    unknown = {word for word in shown if not word.startswith("-")} - set(COMMANDS)
    assert unknown == set()


def test_documents_name_no_path_of_one_machine() -> None:
    for name in DOCUMENTS:
        text = (TOP / name).read_text("utf-8")
        assert str(TOP) not in text
        assert not re.search(r"/(root|home/\w+)/", text), name
