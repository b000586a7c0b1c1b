"""A keeper that was itself frozen, or its whole computer, accuses no instrument."""

import os
import re
import signal
from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest
from keeper_door import kept_soak
from waiting import wait_for

from benchlog.clock import HostClock, host_sleep
from benchlog.model import AlarmRule, EventKind, Flag
from benchlog.recorder.instruments import instrument_handle
from benchlog.recorder.keeper import opened_keeper
from benchlog.recorder.own_pace import OwnPace
from benchlog.store.reader import Reader

ACCUSING = {
    EventKind.HUNG,
    EventKind.CRASHED,
    EventKind.SILENT,
    EventKind.FLOODED,
    EventKind.AMBIENT_LOST,
    EventKind.REFERENCE_LOST,
    EventKind.ALARM,
}

FOR_S = 0.8
READINGS = 150
"""More than wait in the pipe of a keeper that a busy computer holds up."""


@pytest.fixture
def frozen_at_the_tenth(plan_for, database, clock, monkeypatch):
    """Stop the instrument's process, and keep the loop from running, for a moment."""
    monkeypatch.setattr(instrument_handle, "GRACE_S", 0.2)
    monkeypatch.setattr(instrument_handle, "_HEARING_S", 0.2)

    def run(*alarms, with_instrument=True, told=1):
        plan = plan_for("stranger-steady", readings=READINGS)
        plan = replace(plan, bench=replace(plan.bench, alarms=alarms))
        heard = []

        def tell(notice):
            if notice.reading is not None:
                heard.append(notice)
            if len(heard) == 10 and notice.reading is not None:
                (pid,) = [i.pid for i in keeper.pool.by_name.values()]
                if with_instrument:
                    os.kill(pid, signal.SIGSTOP)
                host_sleep(FOR_S)
                keeper.surroundings.signals.continued = True
                os.kill(pid, signal.SIGCONT)

        with opened_keeper([plan], database, clock, tell=tell) as keeper:
            keeper.wait_for_all()
            keeper.begin()
            keeper.loop()
        with closing(Reader.open(database)) as reader:
            events = [event for _, event in reader.events(1)]
            return reader.columns_after(1), events

    return run


def test_nobody_is_accused_and_the_hole_is_marked(frozen_at_the_tenth):
    began_ns = HostClock().mono_ns()
    columns, events = frozen_at_the_tenth()
    kinds = [event.kind for event in events]
    assert not ACCUSING & set(kinds)
    assert kinds.count(EventKind.FROZEN) == 1
    (said,) = [event.text for event in events if event.kind == EventKind.FROZEN]
    away_s = re.match(r"the keeper itself was frozen for ([\d.]+) s", said)
    assert away_s, said
    whole_s = (HostClock().mono_ns() - began_ns) * 1e-9
    assert FOR_S <= float(away_s[1]) < whole_s
    hole = int(np.argmax(np.diff(columns.mono_ns))) + 1
    assert columns.flags[hole] & Flag.GAP_BEFORE
    gaps = [event.text for event in events if event.kind == EventKind.GAP]
    assert len(gaps) == 1 and "the keeper" in gaps[0]
    # the other one where its process was stopped while it handed over a value
    said = "the keeper itself was held up", "the keeper could not take values for 0.8"
    assert any(one in gaps[0] for one in said)


def test_what_waited_in_the_pipe_is_no_hole(frozen_at_the_tenth):
    columns, events = frozen_at_the_tenth(with_instrument=False)
    assert len(columns) == READINGS
    assert EventKind.FROZEN in [event.kind for event in events]
    apart_ns = np.diff(columns.mono_ns)
    assert apart_ns.max() < 1e9
    # a busy computer makes holes of the counter's own; what waited has none before it
    marked = np.flatnonzero(columns.flags[1:] & Flag.GAP_BEFORE)
    assert np.all(apart_ns[marked] > 1.5 * np.median(apart_ns))
    assert len(marked) < READINGS / 10


def test_no_alarm_rings_for_it(frozen_at_the_tenth):
    lost = AlarmRule(when="lost_s", above=0.2, quiet_s=600.0, command=("true",))
    _, events = frozen_at_the_tenth(lost)
    assert not ACCUSING & {event.kind for event in events}


def test_a_keeper_that_was_stopped_tells_it(tmp_path):
    """Takes about 4 s: a real keeper and its instrument are stopped for 2.5 s."""
    with kept_soak(tmp_path) as kept:
        wait_for(lambda: len(kept.columns()) > 20)
        pids = [kept.launched.pid, *kept.instruments()]
        for pid in pids:
            os.kill(pid, signal.SIGSTOP)
        host_sleep(2.5)
        for pid in pids:
            os.kill(pid, signal.SIGCONT)
        wait_for(lambda: EventKind.FROZEN in [e.kind for e in kept.events()])
        assert not ACCUSING & {event.kind for event in kept.events()}
        wait_for(lambda: np.diff(kept.columns().mono_ns).max() > 2e9)
        columns = kept.columns()
        hole = int(np.argmax(np.diff(columns.mono_ns))) + 1
        assert columns.flags[hole] & Flag.GAP_BEFORE


def frozen_alone(kept, for_s):
    """Stop the keeper while its instruments go on; return from when on it was away."""
    before_ns = HostClock().mono_ns()
    os.kill(kept.launched.pid, signal.SIGSTOP)
    host_sleep(for_s)
    os.kill(kept.launched.pid, signal.SIGCONT)
    after_ns = HostClock().mono_ns()
    wait_for(lambda: kept.columns().mono_ns[-1] > after_ns + 200_000_000)
    columns = kept.columns()
    away = (columns.mono_ns > before_ns) & (columns.mono_ns < after_ns)
    return columns.mono_ns[away] / 1e9, columns.ambient_c[away]


def test_what_waited_has_the_ambient_of_its_own_time(tmp_path):
    """Takes about 4 s. The probe shows the time as its temperature."""
    with kept_soak(tmp_path, probe="stranger-rising") as kept:
        wait_for(lambda: len(kept.columns()) > 20)
        t_s, ambient_c = frozen_alone(kept, 3.0)
        assert len(t_s) > 20
        age_s = t_s - ambient_c
        assert age_s.min() >= 0  # none of afterwards
        assert age_s.max() < 1.0  # and none of before the keeper was stopped


# --- the arithmetic of it


def paced(monkeypatch, *moments_s):
    """Let the loop look at these moments."""
    left = iter(moments_s)
    now = "benchlog.recorder.own_pace.host_moment"
    monkeypatch.setattr(now, lambda: MomentAt(next(left)))
    return OwnPace()


class MomentAt:
    def __init__(self, at_s):
        self.awake_ns = round(at_s * 1e9)


def test_a_wait_that_was_meant_is_no_absence(monkeypatch):
    assert paced(monkeypatch, 0.0, 60.0).look(60.0, continued=False) is None


def test_a_wait_that_took_longer_is_one(monkeypatch):
    absence = paced(monkeypatch, 0.0, 3.2).look(0.2, continued=False)
    assert absence.real_s == pytest.approx(3.0)
    assert "frozen or held up for 3" in absence.text


def test_a_short_stop_is_told_when_the_signal_came(monkeypatch):
    pace = paced(monkeypatch, 0.0, 0.8, 1.6)
    assert pace.look(0.0, continued=False) is None
    assert "was frozen for 0.8" in pace.look(0.0, continued=True).text


def test_a_long_commit_excuses_instruments_and_is_told_elsewhere(monkeypatch):
    pace = paced(monkeypatch, 0.0, 0.1, 5.1, 5.2)
    with pace.own_work():
        pass
    assert pace.look(0.0, continued=False).text == ""
