"""Sleep of the computer counts as time that passed, and what was set then does not.

Before, a wall clock that was set in the second in which the computer woke made time of
what was set, and readings that came before the sleep was told were put in front of it.
"""

import json
from dataclasses import replace

import numpy as np
import pytest
from store.making import begin, reading
from tiers import seldom

from benchlog.clock import VirtualClock
from benchlog.evaluation.run_time.steady_time import SteadyTime, segmented_events
from benchlog.evaluation.studies import level_temperature_data
from benchlog.model import Event, EventKind
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer
from benchlog.units import NS_PER_S

N, AT = 30, 10
"""Readings a second apart, and the first one that comes when the computer is awake."""
DAY_S = 86_400


def slept(path, asleep_s, set_s, told_at):
    """Write a run in which the computer sleeps; the clock is set as it wakes.

    Return the run, and when its readings were taken, in s since the first.
    """
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        first = reading(0)
        times = first.utc_ns, first.mono_ns
        rows = [Event(*times, EventKind.STARTED, "begun", raw=mark(0))]
        for k in range(N):
            if k == told_at:
                rows += told_of(first.utc_ns, k, asleep_s, set_s)
            later_ns = (asleep_s + set_s) * NS_PER_S if k >= AT else 0
            rows.append(replace(reading(k), utc_ns=reading(k).utc_ns + later_ns))
        writer.commit([(run, segment, row) for row in rows])
        segment = writer.begin_segment(run)  # gone on with at once
        again = reading(N)
        again = replace(again, utc_ns=again.utc_ns + (asleep_s + set_s) * NS_PER_S)
        times = again.utc_ns, again.mono_ns
        gap = Event(*times, EventKind.GAP, "killed", raw=mark(asleep_s))
        writer.commit([(run, segment, gap), (run, segment, again)])
        writer.end_run(run, "stopped")
    return run, [k + asleep_s * (k >= AT) for k in range(N + 1)]


def mark(asleep_s):
    told = {"boot": "one", "pace": 1.0, "asleep_ns": asleep_s * NS_PER_S}
    return json.dumps(told).encode()


def told_of(first_utc_ns, before, asleep_s, set_s):
    """Return what `recorder/host_monitor.py` tells of one look."""
    mono_ns = reading(before).mono_ns - NS_PER_S // 10
    utc_ns = first_utc_ns + mono_ns + (asleep_s + set_s) * NS_PER_S
    yield Event(utc_ns, mono_ns, EventKind.ASLEEP, "the computer was suspended")
    if set_s:
        text = f"the wall clock was stepped by {set_s:+.3f} s"
        yield Event(utc_ns + 9_000, mono_ns + 9_000, EventKind.CLOCK_STEP, text)


@pytest.mark.parametrize("told_at", [AT, AT + 1, AT + 9])
@pytest.mark.parametrize(
    ("asleep_s", "set_s"),
    [
        (3_600, 0),
        (3_600, -1_800),
        (3_600, 200 * DAY_S),
        seldom(3_600, 5),
        seldom(60, -3_600),
    ],
)
def test_a_sleep_is_as_long_as_it_was(tmp_path, asleep_s, set_s, told_at):
    path = tmp_path / "a.db"
    run, taken_s = slept(path, asleep_s, set_s, told_at)
    with Reader.open(path) as reader:
        found = reader.run(run)
        clock = SteadyTime(segmented_events(reader, found))
        columns = reader.columns_after(run)
        own_ns = clock.of(columns.segment, columns.utc_ns, columns.mono_ns)
        data, _ = level_temperature_data(reader, [found])
    assert np.all(np.diff(own_ns) > 0)
    assert (own_ns - own_ns[0]) / NS_PER_S == pytest.approx(taken_s, abs=1e-4)
    assert data.t_s - data.t_s[0] == pytest.approx(taken_s, abs=1e-4)


def test_a_clock_that_is_set_back_as_long_as_it_slept_moves_nothing(tmp_path):
    """UTC tells no sleep then; what came before is not taken for what came after."""
    path = tmp_path / "a.db"
    run, taken_s = slept(path, 60, -60, AT)
    with Reader.open(path) as reader:
        clock = SteadyTime(segmented_events(reader, reader.run(run)))
        columns = reader.columns_after(run)
        own_ns = clock.of(columns.segment, columns.utc_ns, columns.mono_ns)
    assert (own_ns - own_ns[0]) / NS_PER_S == pytest.approx(taken_s, abs=1e-4)
