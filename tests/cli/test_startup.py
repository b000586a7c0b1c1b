"""What starting costs: modules that a command has no business to import."""

import os
import shutil
import subprocess
import sys
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest
from warm_program import PROGRAM, run

from benchlog.cli.command import COMMANDS

HEAVY = {"numpy", "scipy", "textual", "pyvisa", "serial", "sqlite3", "sqlite_utils"}
HEAVY |= {"pysqlite3", "rich", "benchlog.store", "benchlog.catalogue", "hypothesis"}


def modules_of(folder: Path, *words: str) -> set[str]:
    """Return the names in sys.modules after running a command in a process."""
    code = (
        "import sys\n"
        "from benchlog.cli import root\n"
        f"try: root.main({list(words)!r}, prog_name='benchlog')\n"
        "except SystemExit: pass\n"
        "print('\\n' + ' '.join(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=folder,
        env={**os.environ, "BENCHLOG_DB": str(folder / "none.db")},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return set(done.stdout.splitlines()[-1].split())


@pytest.mark.parametrize(
    "words",
    [
        ("--help",),
        ("--version",),
        ("mesure",),
        ("completion", "zsh"),
        ("help",),
        ("help", "figures"),
    ],
)
def test_nothing_heavy_is_imported_for(words: tuple[str, ...], tmp_path: Path) -> None:
    assert modules_of(tmp_path, *words) & HEAVY == set()


@pytest.mark.parametrize(
    "words",
    [
        ("parts",),
        ("ports",),
        ("runs",),
        ("show", "1"),
        ("watch",),
        ("measure", "--bench", "none", "--part", "none"),
        ("measure", "--help"),
        ("demo", "--help"),
    ],
)
def test_no_screen_is_imported_without_a_terminal(
    words: tuple[str, ...], tmp_path: Path
) -> None:
    assert "textual" not in modules_of(tmp_path, *words)


@pytest.mark.parametrize("words", [("parts",), ("measure", "--help")])
def test_light_commands_import_no_numbers(
    words: tuple[str, ...], tmp_path: Path
) -> None:
    assert modules_of(tmp_path, *words) & {"numpy", "scipy", "sqlite_utils"} == set()


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
    "report 1 --out p.html": NUMPY | DRAWN | {"jinja2", "markupsafe"},
    "report 1 --out p.pdf": NUMPY | DRAWN | {"fpdf", "defusedxml", "cryptography"},
    "judge 1": NUMPY,
    "void 2 --reason wrong": NUMPY,
    "correct 3 --device b --reason wrong": NUMPY,
    "export 1": NUMPY,
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
it refuses."""
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


@pytest.mark.parametrize("words", MAY_IMPORT)
def test_what_a_command_may_import(
    words: str, short_runs: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "own"
    shutil.copytree(short_runs, folder)
    found = modules_of(folder, *words.split())
    rooms = {name.partition(".")[0] for name in found}
    others = rooms & set(packages_distributions()) - ALWAYS - BY_OTHERS
    others -= {name for name in others if name.startswith(("benchlog", "_"))}
    assert others <= MAY_IMPORT[words]
    assert found & SELDOM == set()


def test_every_command_stands_in_the_list() -> None:
    assert {words.partition(" ")[0] for words in MAY_IMPORT} | BESIDES == set(COMMANDS)
