"""A soak goes on after its keeper is gone: same run, a new segment, a told gap."""

import os
import re
import signal
from contextlib import closing
from dataclasses import dataclass, replace

import numpy as np
import pytest
from ctrl_c import press_ctrl_c
from tiers import seldom
from waiting import wait_for

from benchlog.clock import HostClock
from benchlog.errors import BusyError, UsageError
from benchlog.model import (
    AlarmRule,
    EventKind,
    Flag,
    PositionSpec,
    Purpose,
)
from benchlog.recorder.keeper import keep
from benchlog.recorder.launch import Again, launch
from benchlog.recorder.run.resume import find_last, plan_of, resumed
from benchlog.store.files import boot_id
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S


def run_of(database, run_id):
    with closing(Reader.open(database)) as reader:
        return reader.run(run_id)


def count(database, run_id):
    with closing(Reader.open(database)) as reader:
        return reader.count(run_id)


@pytest.fixture
def broken_off(plan_for, database):
    """A soak whose keeper was killed in the middle."""
    plan = plan_for(
        "stranger-steady", readings=None, max_s=3600.0, purpose=Purpose.SOAK
    )
    keeper = launch([plan], database, go_on=True)
    (run_id,) = keeper.run_ids
    wait_for(lambda: count(database, run_id) > 20)
    os.kill(keeper.pid, signal.SIGKILL)
    keeper.wait(10)
    keeper.close()
    return run_id


# every suite: `test_all_positions_that_one_keeper_kept_go_on_together`
@pytest.mark.campaign
def test_it_is_found_and_goes_on_as_the_same_run(broken_off, database, clock):
    run_id = broken_off
    before = count(database, run_id)
    assert find_last(database) == (run_id,)
    assert find_last(database, ["another device"]) == ()
    keeper = launch((), database, again=Again((run_id,), more_s=1.0))
    assert keeper.run_ids == (run_id,)
    assert keeper.wait(20) == 0
    keeper.close()
    with closing(Reader.open(database)) as reader:
        columns = reader.columns_after(run_id)
        events = [event for _, event in reader.events(run_id)]
        assert len(reader.segments(run_id)) == 2
        assert reader.run(run_id).ended_how == "time reached"
        assert reader.run(run_id).verdict == "pass"
    assert len(columns) > before + 20
    (gap,) = np.flatnonzero(columns.flags & Flag.GAP_BEFORE)
    assert gap == before
    assert columns.segment[gap] != columns.segment[gap - 1]
    told = [event for event in events if event.kind == EventKind.GAP]
    assert len(told) == 1
    assert "the last sign of it was at" in told[0].text
    assert "keeper had ended without closing the run" in told[0].text
    assert find_last(database) == ()


def test_a_run_whose_time_is_over_is_closed(broken_off, database, clock):
    old = resumed(database, broken_off, clock.utc_ns())
    late = replace(old, plan=replace(old.plan, max_s=0.5))
    assert keep([late.plan], database, clock, tell=lambda _: None, resume=[late])
    assert run_of(database, broken_off).ended_how == "time reached"


@dataclass(frozen=True)
class SetClock(HostClock):
    """The host's clock after somebody has set its date."""

    by_s: float = 0.0

    def utc_ns(self):
        return super().utc_ns() + round(self.by_s * NS_PER_S)


@pytest.mark.skipif(not boot_id(), reason="Linux tells one boot from another")
@pytest.mark.parametrize("by_s", [40 * 86_400.0, seldom(-3_600.0)])
def test_a_clock_that_was_set_meanwhile_is_told_and_not_believed(
    broken_off, database, by_s
):
    """Before, the run was 40 days old and over, and nothing told of the clock."""
    later, before = SetClock(by_s=by_s), count(database, broken_off)
    old = resumed(database, broken_off, later.utc_ns())
    assert old.plan.max_s == 3600.0
    old = replace(old, plan=replace(old.plan, max_readings=before + 10))
    assert keep([old.plan], database, later, tell=lambda _: None, resume=[old])
    assert run_of(database, broken_off).ended_how != "time reached"
    assert count(database, broken_off) == before + 10
    told = events_of(database, broken_off)
    (step,) = (one.text for one in told if one.kind == EventKind.CLOCK_STEP)
    found = re.fullmatch(r"the wall clock was stepped by (\S+) s while .* kept", step)
    assert float(found[1]) == pytest.approx(by_s, abs=1.0)
    (gap,) = (one.text for one in told if one.kind == EventKind.GAP)
    assert "by a clock that was stepped by" in gap


def events_of(database, run_id):
    with closing(Reader.open(database)) as reader:
        return [event for _, event in reader.events(run_id)]


@pytest.mark.skipif(not boot_id(), reason="Linux tells one boot from another")
def test_a_length_from_now_on_does_not_count_what_the_clock_was_set_by(
    broken_off, database
):
    later = SetClock(by_s=40 * 86_400.0)
    old = resumed(database, broken_off, later.utc_ns(), more_s=1.0)
    assert keep([old.plan], database, later, tell=lambda _: None, resume=[old])
    assert run_of(database, broken_off).ended_how == "time reached"


def test_what_is_being_kept_is_left_alone(plan_for, database, clock):
    plan = plan_for("stranger-steady", readings=None, purpose=Purpose.SOAK)
    keeper = launch([plan], database)
    (run_id,) = keeper.run_ids
    assert find_last(database) == ()
    with pytest.raises(BusyError, match="kept right now"):
        resumed(database, run_id, clock.utc_ns())
    keeper.process.terminate()
    assert keeper.wait(10) == 0
    keeper.close()
    assert run_of(database, run_id).ended_how == "interrupted"
    assert find_last(database) == (run_id,)  # nobody wanted that end


def test_a_measurement_is_no_soak(plan_for, database, clock):
    (run_id,) = keep(
        [plan_for("stranger-steady", readings=3)], database, clock, tell=lambda _: None
    )
    with pytest.raises(UsageError, match="no soak"):
        resumed(database, run_id, clock.utc_ns())
    assert find_last(database) == ()


def test_another_instrument_is_not_taken_after_a_break_either(
    plan_for, database, clock
):
    plan = plan_for("stranger-swaps", readings=5, purpose=Purpose.SOAK, max_s=30.0)
    (run_id,) = keep([plan], database, clock, tell=lambda _: None)
    old = resumed(database, run_id, clock.utc_ns(), more_s=2.0)
    keep([old.plan], database, clock, tell=lambda _: None, resume=[old])
    with closing(Reader.open(database)) as reader:
        kinds = [event.kind for _, event in reader.events(run_id)]
        assert reader.count(run_id) == 5
    assert EventKind.WRONG_INSTRUMENT in kinds


def test_a_plan_comes_back_whole(plan_for, database, clock):
    plan = plan_for("stranger-steady", readings=3, purpose=Purpose.SOAK)
    counter = replace(plan.bench.instruments["counter"], options={"gate_s": 0.01})
    bench = replace(
        plan.bench,
        instruments={"counter": counter},
        alarms=(AlarmRule(when="offset_ppm", above=1.0, command=("a", "b")),),
    )
    plan = replace(plan, bench=bench, operator="M. Okwuosa", load_pf=12.5)
    (run_id,) = keep([plan], database, clock, tell=lambda _: None)
    back = plan_of(run_of(database, run_id), clock.utc_ns())
    rule = replace(plan.bench.alarms[0], command=())  # that is in the bench file alone
    assert back == replace(plan, bench=replace(bench, alarms=(rule,)))


def test_dialects_come_back_as_dialects(tmp_path):
    from benchlog.catalogue import load_dialect
    from benchlog.recorder.run.resume import _dialect
    from benchlog.store.snapshot import to_plain

    for name in ("scpi-1999", "scpi-period", "line-hz"):
        dialect = load_dialect(name)
        assert _dialect(to_plain(dialect)) == dialect


def test_a_soak_says_what_it_waits_for(plan_for, database, clock):
    told = []
    plan = plan_for("stranger-late", purpose=Purpose.SOAK, readings=3)
    (run_id,) = keep([plan], database, clock, tell=told.append)
    waiting = [t.text for t in told if t.kind == "waiting"]
    assert waiting == ["waiting for 'counter': lost: not there yet"]
    with closing(Reader.open(database)) as reader:
        texts = [event.text for _, event in reader.events(run_id)]
    assert any("'counter' was waited for" in text for text in texts)


def test_nothing_begins_while_a_soak_waits_and_is_stopped(plan_for, database):
    plan = plan_for("stranger-broken", purpose=Purpose.SOAK)
    said = []

    def say(text):
        said.append(text)
        press_ctrl_c()

    with pytest.raises(KeyboardInterrupt):
        launch([plan], database, say=say)
    assert "stranger_clocks_that_is_missing" in said[0]
    with closing(Reader.open(database)) as reader:
        assert reader.runs() == []


def test_an_instrument_that_is_away_when_a_run_goes_on_is_an_event(
    broken_off, database, clock, tmp_path
):
    old = resumed(database, broken_off, clock.utc_ns(), more_s=4.0)
    spec = replace(old.plan.bench.instruments["counter"], driver="stranger-late")
    bench = replace(old.plan.bench, instruments={"counter": spec})
    old = replace(old, plan=replace(old.plan, bench=bench))
    keep([old.plan], database, clock, tell=lambda _: None, resume=[old])
    with closing(Reader.open(database)) as reader:
        kinds = [event.kind for _, event in reader.events(broken_off)]
    after = kinds[kinds.index(EventKind.GAP) :]
    assert after[:3] == [EventKind.GAP, EventKind.LOST, EventKind.BACK]


def test_all_positions_that_one_keeper_kept_go_on_together(plan_for, database):
    one = plan_for("stranger-steady", readings=None, max_s=3600.0, purpose=Purpose.SOAK)
    counter = one.bench.instruments["counter"]
    bench = replace(
        one.bench,
        instruments={name: replace(counter, name=name) for name in ("one", "two")},
        positions=(
            PositionSpec(name="A", frequency="one"),
            PositionSpec(name="B", frequency="two"),
        ),
    )
    one = replace(one, bench=bench)
    two = replace(one, device="C-0002", position="B")
    keeper = launch([one, two], database, go_on=True)
    run_ids = keeper.run_ids
    wait_for(lambda: all(count(database, run_id) > 5 for run_id in run_ids))
    os.kill(keeper.pid, signal.SIGKILL)
    keeper.wait(10)
    keeper.close()
    assert find_last(database) == find_last(database, ["C-0001"]) == run_ids
    assert find_last(database, ["another device"]) == ()
    before = [count(database, run_id) for run_id in run_ids]
    keeper = launch((), database, again=Again(run_ids, more_s=1.5))
    assert keeper.run_ids == run_ids
    assert keeper.wait(20) == 0
    keeper.close()
    for run_id, earlier in zip(run_ids, before, strict=True):
        with closing(Reader.open(database)) as reader:
            columns, run = reader.columns_after(run_id), reader.run(run_id)
            assert len(reader.segments(run_id)) == 2
        assert (run.ended_how, run.verdict) == ("time reached", "pass")
        assert len(columns) > earlier + 20
        (gap,) = np.flatnonzero(columns.flags & Flag.GAP_BEFORE)
        assert gap == earlier
        assert columns.segment[gap] != columns.segment[gap - 1]
        (told,) = (e.text for e in events_of(database, run_id) if e.kind == "gap")
        assert "the last sign of it was at" in told
        assert "keeper had ended without closing the run" in told
    assert find_last(database) == ()
