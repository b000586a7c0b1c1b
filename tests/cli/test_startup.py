"""What starting costs: modules that a command has no business to import."""

import os
import subprocess
import sys
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

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


MAY_IMPORT = {
    "runs": {"numpy"},
    "runs --json": {"numpy"},
    "show 1": {"numpy", "scipy"},
    "show 1 --json": {"numpy", "scipy"},
    "stability 1": {"numpy", "scipy"},
    "ageing 1": {"numpy", "scipy"},
    "events 1": {"numpy"},
    "export 1": {"numpy"},
}
"""What a command about a short run may import of others, beside `ALWAYS`."""
ALWAYS = {"click", "platformdirs", "pysqlite3"}
SELDOM = {"scipy.fft", "benchlog.analysis.stability.every", "benchlog.screen"}
"""What none of them needs for readings of a run that is over."""
BY_OTHERS = {"_distutils_hack", "setuptools", "charset_normalizer"}
"""What an editable installation loads at every start, and what SciPy does."""


@pytest.fixture(scope="module")
def short_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a database that holds one run of 60 readings."""
    folder = tmp_path_factory.mktemp("short")
    lines = [f"{16e6 + k % 7 / 8!r}\n" for k in range(60)]
    (folder / "a.txt").write_text("".join(lines))
    modules_of(folder, "import", "a.txt", "--nominal-hz", "16e6")
    return folder


@pytest.mark.parametrize("words", MAY_IMPORT)
def test_what_a_command_may_import(words: str, short_run: Path) -> None:
    found = modules_of(short_run, *words.split())
    rooms = {name.partition(".")[0] for name in found}
    others = rooms & set(packages_distributions()) - ALWAYS - BY_OTHERS
    others -= {name for name in others if name.startswith(("benchlog", "_"))}
    assert others <= MAY_IMPORT[words]
    assert found & SELDOM == set()
