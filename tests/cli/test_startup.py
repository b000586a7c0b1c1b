"""What starting costs: modules that a command has no business to import."""

import os
import subprocess
import sys
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
