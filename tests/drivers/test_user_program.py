"""Drivers that are commands of the user's start them by one piece of code."""

import re
import stat
from pathlib import Path

import benchlog_drivers
import pytest
from benchlog_drivers.command_setter import CommandSetter
from benchlog_drivers.command_trim import CommandTrim

from benchlog.clock import HostClock
from benchlog.errors import LostError, RefusedError, SilentError, UsageError

DRIVERS = Path(benchlog_drivers.__file__).parent
KINDS = pytest.mark.parametrize("kind", [CommandTrim, CommandSetter])
BOUNDS = {"low": 0.0, "high": 10.0}


def driver(kind, program, **options):
    own = BOUNDS if kind is CommandSetter else {}
    return kind("", {"program": str(program), **own, **options}, HostClock())


def a_program(folder, text):
    path = folder / "set; it"
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


def test_no_driver_starts_a_program_by_itself():
    for path in DRIVERS.glob("*.py"):
        found = re.findall(r"run_program|subprocess|shlex|shutil", path.read_text())
        assert not found, path.name


@KINDS
def test_a_program_that_is_not_there_is_missed_when_it_is_opened(kind):
    with pytest.raises(LostError, match="no program 'not-here' that may be run"):
        driver(kind, "not-here").open()


@KINDS
def test_quotes_that_are_not_closed_are_told_before_anything_runs(kind, tmp_path):
    program = a_program(tmp_path, f"touch {tmp_path}/ran")
    with pytest.raises(UsageError, match="close the quotes"):
        driver(kind, program, arguments="it's").open()
    assert not (tmp_path / "ran").exists()


@KINDS
def test_values_are_words_and_ends_are_told(kind, tmp_path):
    word = "{code}" if kind is CommandTrim else "{value}"
    got = tmp_path / "got"
    program = a_program(tmp_path, f'printf "%s|" "$@" > "{got}"; exit $2')
    taken = driver(kind, program, arguments=f"'a {word}' 0")
    taken.set(7)
    assert got.read_text() == "a 7|0|" and taken.read_back() == 7
    with pytest.raises(RefusedError, match=r"status 3 for (code )?7"):
        driver(kind, program, arguments="-- 3").set(7)
    slow = a_program(tmp_path, "sleep 30")
    with pytest.raises(SilentError, match=r"had not ended after 0\.1 s"):
        driver(kind, slow, limit_s=0.1).set(7)
