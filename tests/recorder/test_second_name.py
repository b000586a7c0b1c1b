"""A soak whose database is read by a second name: its log is beside the first."""

import subprocess

import pytest
from keeper_door import kept_soak
from waiting import wait_for
from warm_program import PROGRAM, run


def listed(path):
    return run(
        [*PROGRAM, "runs", "--db", str(path)],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.fixture
def soak(tmp_path):
    with kept_soak(tmp_path) as kept:
        wait_for(lambda: len(kept.columns()) > 5)
        yield kept


def test_who_reads_a_soak_by_another_name_is_told(soak):
    other = soak.database.with_name("other.db")
    other.hardlink_to(soak.database)
    assert "has a second name" in listed(other).stderr
    assert "second name" not in listed(soak.database).stderr
    assert soak.goes_on()


def test_who_reads_it_by_its_only_name_is_told_nothing(soak):
    assert "second name" not in listed(soak.database).stderr
