"""A run from elsewhere starts nothing here: no program, and no instrument."""

import os
import shutil
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from store.strange_runs import put_alarms_in_file, rule

from benchlog.cli import root
from benchlog.cli.tasks import soaking
from benchlog.clock import host_deadline, host_sleep
from benchlog.errors import UsageError
from benchlog.model import AlarmRule, EventKind, Purpose
from benchlog.recorder.keeper import keep
from benchlog.recorder.run.resume import find_last, resumed
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

BENCH_FILE = """
[instruments.counter]
driver = "stranger-steady"
state = "{state}"
[[position]]
name = "A"
frequency = "counter"
[[alarm]]
when = "disk_mb"
above = 0
command = ["{python}", "-c", "import sys; open(sys.argv[1], 'w')", "{out}"]
"""


def broken_off(plan, database, clock):
    """A soak that ended as if its terminal had been closed."""
    (run,) = keep([plan], database, clock, tell=lambda _: None)
    with Writer.open(database, clock) as writer:
        writer.end_run(run, "terminal closed")
    return run


@pytest.fixture
def strange(plan_for, tmp_path, clock):
    """Another one's database with a soak whose alarm starts a program at once."""
    theirs = tmp_path / "theirs" / "bench.db"
    plan = plan_for("stranger-steady", readings=3, purpose=Purpose.SOAK)
    run = broken_off(plan, theirs, clock)
    put_alarms_in_file(theirs, run, rule(command=["touch", str(tmp_path / "attacked")]))
    return theirs


@pytest.fixture
def merged(strange, database, clock):
    with Writer.open(database, clock) as writer:
        writer.merge(strange)
    return 1


def goes_on(database, clock, run, **how):
    old = resumed(database, run, clock.utc_ns(), more_s=1.3, **how)
    told = []
    keep([old.plan], database, clock, tell=told.append, resume=[old])
    with closing(Reader.open(database)) as reader:
        return [event for _, event in reader.events(run)]


def test_a_merged_run_is_not_gone_on_with(merged, database, clock):
    assert find_last(database) == ()
    with pytest.raises(UsageError) as caught:
        resumed(database, merged, clock.utc_ns())
    said = str(caught.value)
    assert "came by merge (merged from bench.db, run 1)" in said
    assert "counter: driver stranger-steady at no address" in said
    assert "--trust" in said


@pytest.mark.campaign  # every suite: with a file that was handed on, below
def test_with_trust_it_goes_on_and_its_program_is_not_run(
    merged, database, clock, tmp_path
):
    assert find_last(database, trust=True) == (merged,)
    events = goes_on(database, clock, merged, trust=True)
    assert EventKind.ALARM in [event.kind for event in events]
    assert not (tmp_path / "attacked").exists()


@pytest.fixture
def handed_on(strange, tmp_path):
    """That database as somebody else gets it: another file."""
    return Path(shutil.copy(strange, tmp_path / "handed-on.db"))


@pytest.mark.parametrize("opened_before", [False, True])
def test_another_one_s_database_is_not_gone_on_with(handed_on, clock, opened_before):
    if opened_before:
        Writer.open(handed_on, clock).close()
    assert find_last(handed_on) == ()
    with pytest.raises(UsageError) as caught:
        resumed(handed_on, 1, clock.utc_ns())
    said = str(caught.value)
    assert "came by file (the database was begun elsewhere or is a copy)" in said
    assert "counter: driver stranger-steady at no address" in said
    assert find_last(handed_on, trust=True) == (1,)


def test_what_is_begun_here_in_another_one_s_database_is_ours(
    plan_for, handed_on, clock
):
    plan = plan_for("stranger-steady", readings=3, purpose=Purpose.SOAK)
    run = broken_off(plan, handed_on, clock)
    assert find_last(handed_on) == (run,)
    assert find_last(handed_on, trust=True)[-1] == run
    assert resumed(handed_on, run, clock.utc_ns()).run.id == run


def test_another_user_s_database_is_not_gone_on_with(strange, clock, monkeypatch):
    assert find_last(strange) == (1,)
    monkeypatch.setattr(os, "geteuid", lambda: 99_999)
    assert find_last(strange) == ()


def test_a_soak_that_needs_trust_is_told_and_asked_for(handed_on, monkeypatch):
    line = ["soak", "--resume-last", "--db", str(handed_on)]
    done = CliRunner().invoke(root, line)
    assert done.exit_code == 2
    assert "came by file" in done.stderr and "add --trust" in done.stderr
    assert "driver stranger-steady" in done.stderr
    monkeypatch.setattr(soaking, "in_terminal", lambda: True)
    done = CliRunner().invoke(root, [*line, "--trust", "--no-screen"], input="n\n")
    assert done.exit_code == 2
    assert "driver stranger-steady" in done.stderr
    assert "go on with that on this computer?" in done.stderr
    assert "nothing was opened" in done.stderr
    with closing(Reader.open(handed_on)) as reader:
        assert reader.run(1).ended_how == "terminal closed"


def test_another_one_s_database_as_it_is_starts_nothing(handed_on, clock, tmp_path):
    events = goes_on(handed_on, clock, 1, trust=True)
    assert EventKind.ALARM in [event.kind for event in events]
    (unsent,) = [e.text for e in events if e.kind == EventKind.ALARM_UNSENT]
    assert unsent.startswith("its alarms tell nobody: no bench file here")
    assert not (tmp_path / "attacked").exists()


def test_a_run_of_ours_tells_whom_the_bench_file_names_today(
    plan_for, database, clock, tmp_path
):
    plan = plan_for("stranger-steady", readings=3, purpose=Purpose.SOAK)
    file, out = tmp_path / "corner.toml", tmp_path / "told"
    text = BENCH_FILE.format(state=tmp_path / "state", python=sys.executable, out=out)
    file.write_text(text)
    old = (AlarmRule(when="lost_s", above=9.0, command=("of", "yesterday")),)
    bench = replace(plan.bench, name="corner", file=str(file), alarms=old)
    run = broken_off(replace(plan, bench=bench), database, clock)
    events = goes_on(database, clock, run)
    assert [e.kind for e in events if "alarm" in e.kind] == [EventKind.ALARM]
    limit = host_deadline(5)
    while not out.exists():
        assert not limit.passed
        host_sleep(0.02)


@pytest.mark.parametrize("name", ["{}/evil", "{}/evil.toml"])
def test_a_path_for_a_name_leads_nowhere(plan_for, database, clock, tmp_path, name):
    (tmp_path / "evil.toml").write_text(
        BENCH_FILE.format(
            state=tmp_path / "s", python=sys.executable, out=tmp_path / "attacked"
        )
    )
    plan = plan_for("stranger-steady", readings=3, purpose=Purpose.SOAK)
    name = name.format(tmp_path)
    bench = replace(plan.bench, name=name, alarms=(AlarmRule(when="disk_mb", above=0),))
    run = broken_off(replace(plan, bench=bench), database, clock)
    old = resumed(database, run, clock.utc_ns())
    assert [one.command for one in old.plan.bench.alarms] == [()]
    assert "tell nobody" in old.alarms
