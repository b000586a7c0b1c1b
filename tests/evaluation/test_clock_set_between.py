"""A wall clock that is set while nobody keeps a run makes no time between its segments.

Before, what passed between two segments was what the wall clock said: 200 days in a run
of two minutes, in drift, holes and ageing. Within one boot the computer's own clock
tells. CLOCK_BOOTTIME counts sleep, CLOCK_MONOTONIC does not (clock_gettime(2)).
"""

import json
from dataclasses import replace
from itertools import product

import pytest
from store.making import begin, reading
from tiers import seldom

from benchlog.analysis.stability.estimation import stability
from benchlog.clock import HostClock, VirtualClock
from benchlog.evaluation.comparison import sides_of, stability_of
from benchlog.evaluation.run_evaluation import RunEvaluator, evaluate
from benchlog.evaluation.run_time.segment_clock import mark_now, mark_of
from benchlog.evaluation.run_time.steady_time import SteadyTime, segmented_events
from benchlog.evaluation.studies import ageing_of, series_of
from benchlog.model import Event, EventKind
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer
from benchlog.units import NS_PER_S

DAY_S = 86_400
N, AWAY_S = 60, 20
"""Readings a second apart in each segment, and the time between them."""


def mark(boot="one", asleep_s=0, pace=1.0):
    told = {"boot": boot, "pace": pace, "asleep_ns": asleep_s * NS_PER_S}
    return json.dumps(told).encode()


def written(path, by_s, first=None, second=None, *, asleep_s=0):
    """Write a run of two segments; before the second one the clock is set by `by_s`."""
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        rows = [*rows_of(run, segment, 0, 0, first or mark())]
        writer.commit(rows)
        segment = writer.begin_segment(run)
        second = second or mark(asleep_s=asleep_s)
        utc_s = by_s + asleep_s
        writer.commit([*rows_of(run, segment, N + AWAY_S, utc_s, second)])
        writer.end_run(run, "stopped")
    return run


def rows_of(run, segment, at, by_s, raw):
    kind, one = EventKind.GAP if at else EventKind.STARTED, reading(at)
    rows = [Event(one.utc_ns, one.mono_ns, kind, "killed", "", raw)]
    for k in range(at, at + N):
        hertz = 8e6 + 1e-3 * (k - at) + k % 2
        rows.append(reading(k, frequency_hz=hertz))
    for row in rows:
        yield run, segment, replace(row, utc_ns=row.utc_ns + by_s * NS_PER_S)


def told(path, run):
    with Reader.open(path) as reader:
        found = evaluate(reader, run, summary="always")
        aged = ageing_of(reader, [reader.run(run)])
    return found, aged


@pytest.mark.parametrize("by_s", [200 * DAY_S, seldom(-40 * DAY_S), 3])
def test_what_is_found_does_not_go_by_a_clock_that_was_set(tmp_path, by_s):
    even, even_aged = told(tmp_path / "a.db", written(tmp_path / "a.db", 0))
    run = written(tmp_path / "b.db", by_s)
    found, aged = told(tmp_path / "b.db", run)
    assert found.assessment.stats.span_s == even.assessment.stats.span_s < 200
    assert found.assessment.budget == even.assessment.budget
    assert found.summary == even.summary
    assert found.summary.missing_s == pytest.approx(AWAY_S, abs=1.5)
    assert found.summary.causes == {"gap": 1}
    assert aged.first.span_days == pytest.approx(even_aged.first.span_days, abs=1e-9)
    with Reader.open(tmp_path / "b.db") as reader:  # what is stored stays as it came
        utc_ns = reader.columns_after(run).utc_ns
    assert utc_ns[N] - utc_ns[N - 1] == (by_s + AWAY_S + 1) * NS_PER_S


def test_who_follows_a_run_finds_the_same(tmp_path):
    path = tmp_path / "a.db"
    run = written(path, 200 * DAY_S)
    expected, _ = told(path, run)
    with Reader.open(path) as reader:
        evaluator, last = RunEvaluator(reader.run(run)), 0
        while len(columns := reader.columns_after(run, last, 7)):
            evaluator.feed_from(reader, columns)
            last = int(columns.id[-1])
    assert evaluator.assessment().stats.span_s == expected.assessment.stats.span_s


def test_sleep_counts_as_time_that_passed(tmp_path):
    path = tmp_path / "a.db"
    found, _ = told(path, written(path, 200 * DAY_S, asleep_s=3600))
    assert found.summary.missing_s == pytest.approx(AWAY_S + 3600, abs=1.5)


@pytest.mark.parametrize(
    "second",
    [
        *(mark("two"), mark(pace=0.5), b"", b'{"boot": "one"}', b"\xff"),
        *map(seldom, (b"{", b"[1]")),
    ],
)
def test_of_another_boot_the_wall_clock_alone_tells(tmp_path, second):
    """A limit; so it is on systems that tell nothing of their boots."""
    path = tmp_path / "a.db"
    found, _ = told(path, written(path, DAY_S, second=second or b" "))
    assert found.summary.missing_s == pytest.approx(AWAY_S + DAY_S, abs=1.5)


@pytest.mark.parametrize(
    "asleep_ns", [2**62, -1, 10**400, *map(seldom, (2**62 - 1, True, "7"))]
)
def test_a_mark_that_cannot_be_ends_nothing(tmp_path, asleep_ns):
    """Of a stranger's database: figures of that run may be odd, and no more."""
    path = tmp_path / "a.db"
    second = json.dumps({"boot": "one", "pace": 1.0, "asleep_ns": asleep_ns}).encode()
    found, _ = told(path, written(path, 0, second=second))
    assert found.assessment.stats.n == 2 * N


def test_a_run_that_tells_nothing_is_believed():
    clock = SteadyTime([])
    assert clock.onward(Event(1, 1, EventKind.GAP, "", raw=mark())) == (0, 0)
    assert clock.shifts_ns == {}


def test_what_was_set_is_told_once(tmp_path):
    """A clock that was set in the run, told then, is not told again when it goes on."""
    path = tmp_path / "a.db"
    run = written(path, 3600)
    with Reader.open(path) as reader:
        clock = SteadyTime(segmented_events(reader, reader.run(run)))
    one = reading(3 * N + AWAY_S)
    again = Event(one.utc_ns, one.mono_ns, EventKind.GAP, "", raw=mark())
    hour_ns = 3600 * NS_PER_S
    on = replace(again, utc_ns=again.utc_ns + hour_ns)
    assert clock.onward(on) == (-hour_ns, 0)
    assert clock.onward(again) == (0, -hour_ns)  # set right again


def test_a_mark_of_now_is_read_back():
    found = mark_of(Event(0, 0, EventKind.STARTED, "", raw=mark_now(HostClock(2.0))))
    assert found is None or (found.boot and found.pace == 0.5 and found.asleep_ns >= 0)
    assert mark_now(VirtualClock()) == b""


# --- within a segment, while it was kept


def stepped(path, within_s, by_s):
    """As `written`; half way in each segment the clock is set by `within_s` as well."""
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        for at, before_s in ((0, 0), (N + AWAY_S, by_s)):
            if at:
                segment = writer.begin_segment(run)
            rows = list(rows_of(run, segment, at, before_s, mark()))
            ns = within_s * NS_PER_S
            late = [
                (a, b, replace(row, utc_ns=row.utc_ns + ns))
                for a, b, row in rows[N // 2 :]
            ]
            writer.commit(rows[: N // 2] + late)
        writer.end_run(run, "stopped")
    return run


SET_S = {(0, 0), (30, 0), (-30, 3600), (3600, -3600), (-3600, 30)}
"""Each amount once, within a segment and between two."""


@pytest.mark.parametrize(
    ("within_s", "by_s"),
    [
        one if one in SET_S else seldom(*one)
        for one in product((0, 3600, 30, -30, -3600), (0, 30, 3600, -3600))
    ],
)
def test_what_lay_between_lasted_as_long_as_it_did(tmp_path, within_s, by_s):
    """Before, a clock set by 30 s in a segment told of none, or of 50 s missing; the
    figures of stability had a hole of up to an hour, or of no time, for these 20 s.
    """
    path = tmp_path / "a.db"
    run = stepped(path, within_s, by_s)
    found, _ = told(path, run)
    assert found.summary.missing_s == pytest.approx(AWAY_S, abs=1.5)
    with Reader.open(path) as reader:
        series = series_of(reader, reader.run(run))
        (side,) = sides_of(reader, [reader.run(run)])
    assert (len(series), series.missing) == (2 * N + AWAY_S, AWAY_S)
    assert stability_of(side) == stability(series)


HOURS = 2 * 3600
A_DAY_PPM = 10.8
"""What 1 mHz a second is in a day at 8 MHz, in ppm."""


def drifting(path, by_s):
    """Write a run of two hours that drifts; the clock is set by `by_s` half way."""
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        one = reading(0)
        begun = Event(one.utc_ns, one.mono_ns, EventKind.STARTED, "", "", mark())
        rows = [(run, segment, begun)]
        for k in range(HOURS):
            row = reading(k, frequency_hz=8e6 + 1e-3 * k + k % 2)
            set_ns = by_s * NS_PER_S if k >= HOURS // 2 else 0
            rows.append((run, segment, replace(row, utc_ns=row.utc_ns + set_ns)))
        writer.commit(rows)
        writer.end_run(run, "stopped")
    return run


@pytest.mark.parametrize("by_s", [3600, *map(seldom, (0, -1800, 200 * DAY_S))])
def test_a_clock_set_in_a_run_makes_no_other_drift(tmp_path, by_s):
    """Before, an hour made 7.2 +- 0.7 ppm a day of 10.8, and 200 days none at all."""
    path = tmp_path / "a.db"
    found, _ = told(path, drifting(path, by_s))
    assert found.summary.drift.value == pytest.approx(A_DAY_PPM, rel=1e-6)
    last = 0
    with Reader.open(path) as reader:
        followed = RunEvaluator(reader.run(1), summarize=True)
        while len(columns := reader.columns_after(1, last, 1000)):
            followed.feed_from(reader, columns)
            last = int(columns.id[-1])
        watch = followed.watched().summary(found.assessment, [])
    assert watch.drift.value == pytest.approx(A_DAY_PPM, rel=1e-6)
