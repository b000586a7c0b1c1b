"""What starting costs: modules that a command has no business to import."""

import json
import shlex
import shutil
import subprocess
import sys
from collections.abc import Collection, Iterable, Sequence
from importlib.metadata import packages_distributions
from itertools import pairwise
from pathlib import Path

import pytest
from warm_program import PROGRAM, run

from benchlog.cli.command import COMMANDS

HEAVY = {"numpy", "scipy", "textual", "pyvisa", "serial", "sqlite3", "sqlite_utils"}
HEAVY |= {"pysqlite3", "rich", "benchlog.store", "benchlog.catalogue", "hypothesis"}
LOADED = "LOADED: "
"""What the line with the names in `sys.modules` begins with."""


FORKING = f"""
import importlib, json, os, sys
from benchlog.cli import root
for first, told in json.load(sys.stdin):
    for name in first:
        importlib.import_module(name)
    pid = os.fork()
    if pid:
        if os.waitpid(pid, 0)[1]: sys.exit("it ended with an error")
        continue
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    for folder, words in told:
        os.chdir(folder)
        os.environ['BENCHLOG_DB'] = folder + '/none.db'
        try: root.main(words, prog_name='benchlog')
        except SystemExit: pass
        print('\\n{LOADED}' + ' '.join(sys.modules))
    sys.stdout.flush()
    os._exit(0)
"""
Typed = tuple[str, Path]
"""A command, and the folder that it is typed in."""


def modules_of(
    groups: Sequence[tuple[Sequence[str], Sequence[Typed]]],
) -> list[list[set[str]]]:
    """Return what each command imports beside those before it in its group.

    A group is a process, forked from one that begins cold and imports the names that
    stand before a group, which it and those after it may import. Of commands that may
    import the same, none hides what another may not.
    """
    told = [
        (first, [(str(folder), shlex.split(words)) for words, folder in typed])
        for first, typed in groups
    ]
    done = subprocess.run(
        [sys.executable, "-c", FORKING],
        input=json.dumps(told),
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    lines = [one for one in done.stdout.splitlines() if one.startswith(LOADED)]
    loaded = [set(one.removeprefix(LOADED).split()) for one in lines]
    assert len(loaded) == sum(len(typed) for _, typed in groups), done.stdout
    found = []
    for _, typed in groups:
        of_group = [set[str](), *(loaded.pop(0) for _ in typed)]
        found.append([after - before for before, after in pairwise(of_group)])
    return found


def too_much(
    commands: Sequence[str], folder: Path, forbidden: set[str]
) -> dict[str, set[str]]:
    """Return which commands import what they may not, where no database is."""
    (found,) = modules_of([([], [(words, folder) for words in commands])])
    of_each = {one: got & forbidden for one, got in zip(commands, found, strict=True)}
    return {one: wrong for one, wrong in of_each.items() if wrong}


def test_nothing_heavy_is_imported_for_help(tmp_path: Path) -> None:
    commands = ["--help", "--version", "mesure", "completion zsh", "help"]
    assert too_much([*commands, "help figures"], tmp_path, HEAVY) == {}


@pytest.mark.campaign  # every suite: `MAY_IMPORT` has none of these with a screen
def test_no_screen_is_imported_without_a_terminal(tmp_path: Path) -> None:
    commands = ["parts", "ports", "runs", "show 1", "watch", "measure --help"]
    commands += ["measure --bench none --part none", "demo --help"]
    assert too_much(commands, tmp_path, {"textual"}) == {}


def test_light_commands_import_no_numbers_and_no_screen(tmp_path: Path) -> None:
    numbers = {"numpy", "scipy", "sqlite_utils"}
    commands = ["parts", "measure --help", "demo --help", "ports"]
    wrong = too_much(commands, tmp_path, numbers | {"textual"})
    assert wrong.pop("ports", set()) <= numbers
    assert wrong == {}


NOTHING: set[str] = set()
NUMPY = {"numpy"}
DRAWN = {"matplotlib", "mpl_toolkits", "PIL", "cycler", "dateutil", "kiwisolver"}
DRAWN |= {"fontTools", "packaging", "pyparsing", "six"}
MAY_IMPORT = {
    "help": NOTHING,
    "parts": NOTHING,
    "defaults": NOTHING,
    "sequences": NOTHING,
    "bench": {"serial"},
    "completion zsh": NOTHING,
    "watch 1": NOTHING,
    "runs": NOTHING,
    "runs --json": NOTHING,
    "devices": NOTHING,
    "results": NOTHING,
    "show 1": NUMPY,
    "show 1 --json": NUMPY,
    "stop 1": NUMPY,
    "stability 1": NUMPY,
    "stability 1 --json": NUMPY,
    "hat 1 2 3": NUMPY,
    "temperature 1": NUMPY,
    "ageing 1": NUMPY,
    "response 1": NUMPY,
    "fitness 1": NUMPY,
    "compare 1 2": NUMPY | {"scipy"},
    "report 9 --out p.pdf": NUMPY,
    "report 1 --out p.html": NUMPY | DRAWN | {"jinja2", "markupsafe"},
    "report 1 --out p.pdf": NUMPY | DRAWN | {"fpdf", "defusedxml", "cryptography"},
    "judge 1": NUMPY,
    "void 2 --reason wrong": NUMPY,
    "correct 3 --device b --reason wrong": NUMPY,
    "export 1": NUMPY | {"orjson"},
    "export 1 --format parquet --out x.parquet": NUMPY | {"pyarrow"},
    "import a.txt --nominal-hz 16e6": NUMPY,
    "backup copied.db": NUMPY,
    "check": NUMPY,
    "merge other.db": NUMPY,
    "lots": NUMPY,
    "chips --lot none": NUMPY,
    "measure --bench none --part none": NUMPY,
    "soak --bench none --part none": NUMPY,
    "refcheck --bench none": NUMPY | {"serial"},
    "check-bench none": NOTHING,
    "qualify --bench none": NUMPY | {"serial"},
}
"""What a command may import of others beside `ALWAYS`: about a short run, or up to what
it refuses. There is no run 9: that is a page up to where it is drawn."""
BESIDES = {"doctor", "ports", "demo", "simulate", "inspect", "trim", "forward"}
"""They look at the computer's packages, or start instruments at once."""
ALWAYS = {"click", "platformdirs", "pysqlite3"}
SELDOM = {"scipy.fft", "benchlog.screen"}
SELDOM |= {"benchlog.analysis.stability.every.every_rows"}
"""What none of them needs for readings of a run that is over."""
BY_OTHERS = {"_distutils_hack", "setuptools", "charset_normalizer"}
"""What an editable installation loads at every start, and what SciPy does."""


@pytest.fixture(scope="module")
def short_runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two databases; the first holds three runs of 60 readings."""
    folder = tmp_path_factory.mktemp("short")
    lines = [f"{16e6 + k % 7 / 8!r}\n" for k in range(60)]
    (folder / "a.txt").write_text("".join(lines))
    words = ["import", "a.txt", "--nominal-hz", "16e6", "--db"]
    for name in ("none.db", "none.db", "none.db", "other.db"):
        done = run([*PROGRAM, *words, name], cwd=folder, capture_output=True)
        assert done.returncode == 0, done.stderr
    return folder


def alike(names: Iterable[str]) -> dict[str, list[str]]:
    """Return the commands that may import the same, by what that is."""
    found: dict[str, list[str]] = {}
    for one in names:
        found.setdefault(" ".join(sorted(MAY_IMPORT[one])), []).append(one)
    return found


DRAWING = ["matplotlib.figure", "matplotlib.backends.backend_svg"]


def shared(may: str) -> list[str]:
    """Return what is imported once for all that may import it."""
    if "matplotlib" in may:
        return ["numpy", *DRAWING]
    return ["numpy"] if "numpy" in may else []


SLOW = {"matplotlib", "scipy", "pyarrow"}
SLOWLY = {one for one, may in MAY_IMPORT.items() if may & SLOW}
"""What takes seconds: pages that are drawn, and the studentized range of SciPy; and
half a second: columns in a file, which `export` as CSV is beside every day."""


@pytest.mark.parametrize(
    "commands",
    [MAY_IMPORT.keys() - SLOWLY, pytest.param(SLOWLY, marks=pytest.mark.campaign)],
    ids=["quick", "slow"],
)
def test_what_commands_may_import(
    commands: Collection[str], short_runs: Path, tmp_path: Path
) -> None:
    of_same = alike(one for one in MAY_IMPORT if one in commands)
    groups = []
    for may in sorted(of_same, key=lambda may: len(shared(may))):
        typed = []
        for words in of_same[may]:
            folder = tmp_path / words.replace("/", "-")
            shutil.copytree(short_runs, folder)
            typed.append((words, folder))
        groups.append((shared(may), typed))
    installed, wrong = set(packages_distributions()), {}
    for (_, typed), of_group in zip(groups, modules_of(groups), strict=True):
        for (words, _), found in zip(typed, of_group, strict=True):
            rooms = {name.partition(".")[0] for name in found}
            others = rooms & installed - ALWAYS - BY_OTHERS
            others -= {name for name in others if name.startswith(("benchlog", "_"))}
            wrong[words] = (others - MAY_IMPORT[words]) | found & SELDOM
    assert wrong.keys() == commands
    assert {words: names for words, names in wrong.items() if names} == {}


def test_every_command_stands_in_the_list() -> None:
    assert {words.partition(" ")[0] for words in MAY_IMPORT} | BESIDES == set(COMMANDS)
