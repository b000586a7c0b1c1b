"""Small versions of the campaigns; the long ones are programs in this folder.

Seeds are fixed; a failing program prints what it found. RESULTS.md keeps the tables.
"""

import shutil
import sys
from pathlib import Path

import pytest
from warm_program import run

HERE = Path(__file__).parent


def carried_out(program, *words, within_s):
    done = run(
        [sys.executable, str(HERE / program), *words],
        capture_output=True,
        text=True,
        timeout=within_s,
        check=False,
    )
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr[-4000:]}"
    return done.stdout


def test_eight_faults_of_all_sorts():
    carried_out(
        "campaign.py", "--faults", "8", "--hours", "2", "--scale", "40",
        "--seed", "3", "--stop-when-done", within_s=110,
    )  # fmt: skip


def test_five_sudden_deaths():
    carried_out("kills.py", "--kills", "5", "--seed", "7", within_s=150)


@pytest.mark.skipif(not shutil.which("strace"), reason="strace is not installed")
def test_power_cuts_around_a_dozen_commits():
    carried_out("powercut.py", "--commits", "12", within_s=60)


def test_a_crowd_on_one_database():
    carried_out("crowd.py", "--hours", "0.05", within_s=110)


@pytest.mark.slow
def test_five_hundred_faults_in_a_night():
    carried_out("campaign.py", within_s=3_600)


@pytest.mark.slow
def test_two_hundred_sudden_deaths():
    carried_out("kills.py", within_s=2_400)


@pytest.mark.slow
def test_power_cuts_around_many_commits():
    carried_out("powercut.py", within_s=600)


@pytest.mark.slow
def test_a_crowd_for_a_night():
    carried_out("crowd.py", within_s=1_200)


@pytest.mark.slow
def test_ten_nights_in_a_row():
    carried_out("nights.py", within_s=1_200)


@pytest.mark.slow
@pytest.mark.skipif(not shutil.which("chromium"), reason="chromium is not installed")
def test_the_view_in_a_browser():
    carried_out("browser.py", within_s=300)
