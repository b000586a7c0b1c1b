"""The first reading after the computer slept is marked, none before, none behind."""

from contextlib import closing

import numpy as np
import pytest

from benchlog import clock as clocks
from benchlog.model import EventKind, Flag
from benchlog.recorder.keeper import opened_keeper
from benchlog.recorder.run.wake_mark import WakeMark
from benchlog.store.reader import Reader

S = 1_000_000_000
EPOCH_NS = 1_900_000_000 * S
ASLEEP_S = 3_600
GATE_S = 0.01


def marked(times_s, noticed_s, *, set_by_s=0, slept_after_s=5.0):
    """Return which readings the mark is before; the sleep is after `slept_after_s`."""
    mark = WakeMark()
    found, is_noticed = [], False
    for at_s in times_s:
        if at_s >= noticed_s[0] and not is_noticed:
            mark.slept(ASLEEP_S * S, int(noticed_s[1] * S))
            is_noticed = True
        ahead_s = (ASLEEP_S + set_by_s) if at_s > slept_after_s else 0
        mono_ns = int(at_s * S)
        if mark.is_before(mono_ns, EPOCH_NS + mono_ns + ahead_s * S):
            found.append(at_s)
    return found


@pytest.mark.parametrize(
    ("came_s", "noticed_s"),
    [
        (6.0, 6.02),  # as the first reading after it came
        (5.0, 6.02),  # one that was taken before it was still on its way
        (4.0, 6.02),  # two of them
        (6.0, 5.50),  # before one came
    ],
)
def test_it_is_before_the_first_reading_after_the_sleep(came_s, noticed_s):
    assert marked(np.arange(1.0, 12.0), (came_s, noticed_s)) == [6.0]


def test_where_the_clock_was_set_back_as_it_woke_it_is_the_next_one_at_the_latest():
    times_s = np.arange(1.0, 12.0)
    assert marked(times_s, (6.0, 6.02), set_by_s=-ASLEEP_S) == [7.0]


def test_a_run_that_has_no_reading_yet_has_no_hole():
    assert marked([6.0, 7.0], (6.0, 5.9)) == [6.0]  # nothing is before it to follow on


def test_no_reading_is_taken_in_before_the_sleep_is_noticed(
    plan_for, database, clock, monkeypatch
):
    """It was looked for once a second: a hundred readings had no mark of the hole."""
    real = clocks.time.clock_gettime_ns
    slept_ns = [0]
    monkeypatch.setattr(
        clocks.time, "clock_gettime_ns", lambda one: real(one) + slept_ns[0]
    )
    plan = plan_for("stranger-steady", readings=60)
    heard = []

    def tell(notice):
        heard.extend([notice] if notice.reading is not None else [])
        if len(heard) == 20:
            slept_ns[0] = ASLEEP_S * S

    with opened_keeper([plan], database, clock, tell=tell) as keeper:
        keeper.wait_for_all()
        keeper.begin()
        keeper.loop()
    with closing(Reader.open(database)) as reader:
        columns = reader.columns_after(1)
        told = [one for _, one in reader.events(1) if one.kind == EventKind.ASLEEP]
    assert len(told) == 1 and "suspended for 1 h" in told[0].text
    gaps = np.flatnonzero(columns.flags & Flag.GAP_BEFORE)
    at = int(np.searchsorted(columns.mono_ns, told[0].mono_ns))
    assert gaps.tolist() == [at]
    assert at <= 30, "soon after the twentieth"
