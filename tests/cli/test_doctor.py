"""`doctor`: as it is here, as nobody, without the system library, in a broken house."""

import ctypes
import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from cli.conftest import PROGRAM, Line
from warm_program import run

from benchlog.cli.tasks.host.installation import (
    Installation,
    Terminal,
    look_at_installation,
)
from benchlog.cli.tasks.host.installation_findings import (
    fits,
    installation_findings,
)

SUBJECTS = {
    *("python", "sqlite", "packages", "pyarrow", "duckdb", "textual-serve", "drivers"),
    *("data folder", "database", "clock", "terminal"),
    *("serial ports", "pyusb", "libusb", "USB rights", "gpib package", "gpib library"),
    "kernel pulses",
}


def rows(text: str) -> dict[str, dict[str, object]]:
    found = json.loads(text)
    assert all({"subject", "ok", "found", "remedy"} <= row.keys() for row in found)
    return {row["subject"]: row for row in found}


def test_every_subject_has_a_row_and_all_that_is_needed_is_here(line: Line) -> None:
    done = line.run("doctor", "--json")
    assert done.returncode == 0, done.stdout
    found = rows(done.stdout)
    assert found.keys() >= SUBJECTS
    for row in found.values():
        assert bool(row["remedy"]) == (not row["ok"]), row
    assert not line.db.exists()  # it looks, and makes nothing


def test_a_remedy_that_is_a_command_stands_on_one_line(line: Line) -> None:
    found = rows(line.run("doctor", "--json").stdout)
    shown = line.run("doctor").stdout
    for row in found.values():
        remedy = str(row["remedy"])
        if remedy.startswith(("sudo ", "echo ", "/")):
            assert f"$ {remedy}\n" in shown


def test_a_file_that_is_no_database_is_an_error_with_a_remedy(line: Line) -> None:
    line.db.write_text("not a database at all, and longer than a header " * 20)
    done = line.run("doctor", "--json")
    assert done.returncode == 1
    row = rows(done.stdout)["database"]
    assert row["ok"] is False and "--db" in str(row["remedy"])


HIDING = """
import sys
hidden = set(sys.argv.pop(1).split(","))
for name in [one for one in sys.modules if one.partition(".")[0] in hidden]:
    del sys.modules[name]
class Hide:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in hidden:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
sys.meta_path.insert(0, Hide())
from benchlog.cli import main
main()
"""


def hiding(line: Line, modules: str, *words: str) -> "subprocess.CompletedProcess[str]":
    """Run a command where modules cannot be imported; nothing of ours is there yet."""
    return run(
        [sys.executable, "-c", HIDING, modules, *words],
        env=line.environment(),
        cwd=line.folder,
        capture_output=True,
        text=True,
        timeout=60,
        afresh=True,
    )


@pytest.mark.parametrize(
    ("modules", "package"),
    [
        ("platformdirs", "platformdirs"),
        ("numpy,scipy,textual,jinja2,fpdf,matplotlib", "numpy"),
        ("serial", "pyserial"),
        ("pyvisa,pyvisa_py", "pyvisa-py"),
        ("sqlite_utils", "sqlite-utils"),
    ],
)
@pytest.mark.parametrize("command", ["doctor", "ports"])
def test_a_broken_installation_is_named_and_not_unexpected(
    line: Line, modules: str, package: str, command: str
) -> None:
    """Required packages are hidden from the interpreter; both commands still work."""
    done = hiding(line, modules, command, "--json")
    assert "unexpected" not in done.stderr, done.stderr
    if command == "ports":
        assert done.returncode == 0
        assert package in done.stderr or package not in {"pyserial", "pyvisa-py"}
        return
    assert done.returncode == 1
    row = rows(done.stdout)["packages"]
    assert row["ok"] is False and package in str(row["remedy"])


def test_a_system_without_accounts_and_file_locks_is_told_of_too(line: Line) -> None:
    done = hiding(line, "fcntl,resource,termios,tty,grp,pwd", "doctor", "--json")
    assert "unexpected" not in done.stderr, done.stderr
    assert rows(done.stdout).keys() >= SUBJECTS


NOBODY = """
import json, os, sys
from click.testing import CliRunner
from benchlog.cli import root
words = ["doctor", "--json", "--db", sys.argv[1]]
CliRunner().invoke(root, words)  # what is imported late is imported now
os.setgroups([]); os.setgid(65534); os.setuid(65534)
done = CliRunner().invoke(root, words)
print(done.stdout)
sys.exit(done.exit_code)
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become nobody")
def test_as_nobody_each_right_that_lacks_has_its_remedy(tmp_path: Path) -> None:
    """A process gives up every right, as a person in no group has none."""
    folder = tmp_path / "data"
    folder.mkdir(mode=0o700)
    done = run(
        [sys.executable, "-c", NOBODY, str(folder / "bench.db")],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 1, done.stderr
    found = rows(done.stdout)
    assert found["data folder"]["ok"] is False
    assert "BENCHLOG_DB" in str(found["data folder"]["remedy"])
    serial = found["serial ports"]
    assert serial["ok"] is False
    assert "sudo usermod -a -G" in str(serial["remedy"])
    assert found["USB rights"]["ok"] is False
    assert ":fe03" in str(found["USB rights"]["remedy"])


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become nobody")
def test_a_folder_that_cannot_be_made_is_named_with_what_keeps_it(
    tmp_path: Path,
) -> None:
    """Who has no home is not told of the root folder alone."""
    wanted = tmp_path / "home" / "data"
    done = run(
        [sys.executable, "-c", NOBODY, str(wanted / "bench.db")],
        capture_output=True,
        text=True,
        timeout=60,
    )
    said = str(rows(done.stdout)["data folder"]["found"])
    assert said.startswith(f"{wanted} cannot be made: /")
    assert said.endswith(" may not be written")


def library_file() -> str | None:
    try:
        ctypes.CDLL("libusb-1.0.so.0")
    except OSError:
        return None
    maps = Path("/proc/self/maps").read_text("utf-8").splitlines()
    return next((one.split()[-1] for one in maps if "libusb-1.0" in one), None)


def test_without_the_system_library_its_remedy_is_named(line: Line) -> None:
    """In a mount namespace of its own, where the library is an empty file."""
    library, unshare = library_file(), shutil.which("unshare")
    if library is None:
        found = rows(line.run("doctor", "--json").stdout)
    else:
        if unshare is None or os.geteuid() != 0:
            pytest.skip("the library is here and cannot be hidden")
        script = f'mount --bind /dev/null "{library}" && exec "$@"'
        done = subprocess.run(
            [unshare, "-m", "sh", "-c", script, "sh", *PROGRAM, "doctor", "--json"],
            env=line.environment(),
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        if done.returncode not in (0, 1):
            pytest.skip(f"no mount namespace here: {done.stderr}")
        found = rows(done.stdout)
    row = found["libusb"]
    assert row["ok"] is False
    assert "libusb-package" in str(row["remedy"])


# --- pure


@pytest.fixture
def sound(tmp_path: Path) -> Installation:
    made = look_at_installation(tmp_path / "none.db")
    size = Terminal(columns=80, lines=24, name="xterm", colours="256", encoding="utf-8")
    return replace(made, terminal=size, is_sqlite_fixed=True)


def row_of(found: Installation, subject: str) -> object:
    return next(one for one in installation_findings(found) if one.subject == subject)


@pytest.mark.parametrize(
    ("change", "subject", "remedy", "needed"),
    [
        ({"python_version": (3, 10, 2)}, "python", "3.11", True),
        ({"is_sqlite_fixed": False}, "sqlite", "pip install pysqlite3", False),
        ({"packages": {}}, "packages", "pip install 'pyserial>=3.5'", True),
        ({"required": {}}, "packages", "pip install .", True),
        ({"packages": {}}, "pyarrow", "pip install pyarrow", False),
        ({"packages": {}}, "duckdb", "pip install duckdb", False),
        ({"packages": {}}, "textual-serve", "pip install textual-serve", False),
        ({"broken_drivers": {"x": "x is broken"}}, "drivers", "again", False),
        ({"drivers": 0}, "drivers", "pip install", True),
        ({"is_folder_writable": False}, "data folder", "--db", True),
        ({"free_mb": 3.0}, "data folder", "free some space", True),
        ({"database_fault": "it is damaged"}, "database", "--db", True),
        ({"is_clock_synchronised": False}, "clock", "timedatectl set-ntp", False),
    ],
)
def test_each_fault_of_the_installation_has_its_remedy(
    sound: Installation,
    change: dict[str, object],
    subject: str,
    remedy: str,
    needed: bool,
) -> None:
    found = row_of(replace(sound, **change), subject)  # type: ignore[arg-type]
    assert found.ok is False and found.needed is needed  # type: ignore[attr-defined]
    assert remedy in found.remedy  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("change", "remedy"),
    [
        ({"name": "dumb"}, "TERM"),
        ({"columns": 60}, "larger"),
        ({"lines": 20}, "larger"),
        ({"encoding": "ANSI_X3.4-1968"}, "UTF-8"),
        ({}, ""),
    ],
)
def test_a_terminal_that_is_too_little(
    sound: Installation, change: dict[str, object], remedy: str
) -> None:
    assert sound.terminal is not None
    terminal = replace(sound.terminal, **change)  # type: ignore[arg-type]
    found = row_of(replace(sound, terminal=terminal), "terminal")
    assert remedy in found.remedy  # type: ignore[attr-defined]
    assert bool(found.remedy) == bool(remedy)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("version", "wanted", "does"),
    [
        ("4.2.1", ">=4,<5", True),
        ("5.0", ">=4,<5", False),
        ("3.39", ">=4,<5", False),
        ("2024.6", ">=2", True),
        ("0.8.1", ">=0.8", True),
        ("8.2.0rc1", ">=8.2", True),
        (None, ">=1", False),
        ("1.0", "", True),
    ],
)
def test_versions_are_compared_as_numbers(
    version: str | None, wanted: str, does: bool
) -> None:
    assert fits(version, wanted) is does
