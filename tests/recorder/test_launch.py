"""The keeper as a process of its own: leases, signals, and sudden death."""

import os
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest
from seeds import seeded_random
from waiting import wait_for
from warm_program import children_of

from benchlog.clock import host_deadline, host_sleep
from benchlog.control import Request, ask, file_of
from benchlog.errors import BenchlogError
from benchlog.model import EventKind
from benchlog.recorder.launch import launch
from benchlog.store.reader import Reader

SEED = 20261125


def count(database, run_id):
    with closing(Reader.open(database)) as reader:
        return reader.count(run_id)


def run_of(database, run_id):
    with closing(Reader.open(database)) as reader:
        return reader.run(run_id)


@pytest.fixture
def launched(plan_for, database):
    keepers = []

    def start(driver="stranger-steady", *, go_on=False, **options):
        plan = plan_for(driver, **{"readings": 5_000, "max_s": 60.0, **options})
        keepers.append(launch([plan], database, go_on=go_on))
        return keepers[-1]

    yield start
    for keeper in keepers:
        keeper.close()
        keeper.process.kill()
        keeper.process.wait()


def test_it_has_begun_when_launch_returns(launched, database):
    keeper = launched(readings=10)
    assert run_of(database, keeper.run_ids[0]).purpose == "measure"
    assert keeper.wait(10) == 0
    assert count(database, keeper.run_ids[0]) == 10


def test_what_prevents_the_start_is_raised_here(launched):
    with pytest.raises(BenchlogError, match="stranger_clocks_that_is_missing"):
        launched("stranger-broken")


def test_a_closed_terminal_ends_the_run_cleanly(launched, database):
    keeper = launched()
    (run_id,) = keeper.run_ids
    wait_for(lambda: count(database, run_id) > 5)
    keeper.close()
    assert keeper.wait(10) == 0
    assert run_of(database, run_id).ended_how == "terminal closed"


@pytest.mark.parametrize("how", ["at the start", "later"])
def test_a_run_that_was_asked_to_go_on_goes_on(launched, database, how):
    keeper = launched(go_on=how == "at the start")
    (run_id,) = keeper.run_ids
    if how == "later":
        path = database.with_name(run_of(database, run_id).control)
        assert ask(path, Request("keep-going", run_id), file_of(database)).ok
    keeper.close()
    seen = count(database, run_id)
    wait_for(lambda: count(database, run_id) > seen + 20)
    assert run_of(database, run_id).open


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_the_run_cleanly(launched, database, number):
    keeper = launched()
    (run_id,) = keeper.run_ids
    wait_for(lambda: count(database, run_id) > 5)
    os.kill(keeper.pid, number)
    assert keeper.wait(10) == 0
    run = run_of(database, run_id)
    assert (run.ended_how, run.verdict) == ("interrupted", "undecided")
    with closing(Reader.open(database)) as reader:
        assert [e.kind for _, e in reader.events(run_id)][-1] == EventKind.ENDED
    assert list(database.parent.glob("*.sock")) == []


def alive(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def kill_round(launched, database, rng):
    """Kill a keeper at a random moment; return what a reader had seen, and what is."""
    keeper = launched()
    (run_id,) = keeper.run_ids
    instruments = children_of(keeper.pid)
    limit = host_deadline(rng.uniform(0.0, 0.6))
    seen = 0
    with closing(Reader.open(database)) as reader:
        while not limit.passed:
            seen = max(seen, reader.count(run_id))
            host_sleep(0.001)  # a core for ourselves would slow down what we look at
    os.kill(keeper.pid, signal.SIGKILL)
    keeper.wait(10)
    wait_for(lambda: not any(alive(pid) for pid in instruments))
    return seen, count(database, run_id)


def kill_rounds(launched, database, rounds):
    rng = seeded_random(SEED)
    for number in range(rounds):
        seen, there = kill_round(launched, database, rng)
        assert there >= seen, f"round {number} of seed {SEED}"
    # The judge is another build of SQLite than the one that wrote.
    check = "import sqlite3,sys; c=sqlite3.connect(sys.argv[1]);"
    check += "print(c.execute('pragma integrity_check').fetchone()[0])"
    found = subprocess.run(
        [sys.executable, "-c", check, str(database)],
        check=True,
        capture_output=True,
        text=True,
    )
    assert found.stdout.strip() == "ok", (found, sqlite3.sqlite_version)


@pytest.mark.parametrize("rounds", [2, pytest.param(4, marks=pytest.mark.campaign)])
def test_kill_9_at_random_moments_loses_nothing_that_was_seen(
    launched, database, rounds
):
    kill_rounds(launched, database, rounds)


@pytest.mark.slow
def test_kill_9_a_hundred_times(launched, database):
    kill_rounds(launched, database, 100)
