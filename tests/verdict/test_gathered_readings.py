"""A judge that readings reach one by one: cheap, and of the same mind at every look."""

import math
import time
from dataclasses import fields

import numpy as np
import pytest
from columns_maker import columns, part_of
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.running import Running
from benchlog.analysis.stats import RunStats
from benchlog.errors import DataError
from benchlog.model import Decision, Flag, Kind, Limits, Part
from benchlog.verdict.run.early_stop import EarlyStop, StopRule
from benchlog.verdict.run.gathered_readings import TOGETHER, Gathered
from benchlog.verdict.run.reading_judge import RunJudge

PART = Part(
    id="quartz",
    title="16 MHz",
    kind=Kind.QUARTZ,
    nominal_hz=16e6,
    limits=Limits(tolerance_ppm=30, range_c=(-10, 70)),
)
RULE = StopRule(10, 60)
# A chunk's sums of squares are rounded once where those of its readings are each; the
# residual sum of squares then differs by some units of the last digit (2^-53 each).
SAME = 1e-12


def judge():
    return RunJudge(PART, resolution_hz=0.1)


def ones(whole):
    return [part_of(whole, at, at + 1) for at in range(len(whole))]


def a_run(seed, n, ppm=0.0, scatter=0.5):
    """Return readings that wander, with an outlier, a gap and a room that warms."""
    noise = seeded_generator(seed).standard_normal((2, n))
    y = ppm + scatter * noise[0] + 0.05 * np.cumsum(noise[1])
    y[n // 3] += 45.0
    flags = np.zeros(n, dtype=np.int64)
    flags[:2], flags[n // 2] = Flag.SETTLING, Flag.GAP_BEFORE
    ambient = np.linspace(24.0, 30.0, n)
    return columns(16e6 * (1 + 1e-6 * y), flags=flags, ambient_c=ambient)


def figures(stats: RunStats):
    found = [getattr(stats, one.name) for one in fields(RunStats)]
    numbers = [one for one in found if isinstance(one, int | float)]
    return [*numbers, *(point.avar for point in (*stats.avar, *stats.bridged))]


@pytest.mark.parametrize("seed", [0, seldom(1)])
def test_every_look_tells_the_same_however_often_somebody_asked_before(seed):
    whole = a_run(seed, TOGETHER + 60)
    asked, quiet = judge(), judge()
    for at, one in enumerate(ones(whole), 1):
        asked.feed(one)
        quiet.feed(one)
        look = at in (1, 2, 40, TOGETHER - 1, TOGETHER, TOGETHER + 1, len(whole))
        if look or at < 60 or not at % 16:
            stands = asked.assessment()  # takes in what came since
        if look:
            seen = quiet.assessment()
            assert (seen.word, seen.doubt) == (stands.word, stands.doubt)
            assert figures(seen.stats) == pytest.approx(
                figures(stands.stats), rel=SAME, abs=1e-15, nan_ok=True
            )
            pairs = zip(seen.judged, stands.judged, strict=True)
            for ours, theirs in pairs:
                assert ours == (theirs and pytest.approx(theirs, rel=1e-9))


@pytest.mark.parametrize("ppm", [*map(seldom, (29.0, 29.85, 30.2)), 40.0])
def test_early_stops_are_the_same(ppm):
    """Whoever asks after each reading stops where a keeper does that asks at looks."""
    whole = a_run(7, RULE.max_readings + 2, ppm)
    asked, quiet = (judge(), EarlyStop(RULE)), (judge(), EarlyStop(RULE))
    for one in ones(whole):
        for each, _ in (asked, quiet):
            each.feed(one)
        stands = asked[0].assessment()
        if stands.stats.n < asked[1].next_look:
            continue
        steps = [stop.step(each.assessment()) for each, stop in (asked, quiet)]
        assert steps[0] == steps[1]
        if steps[0].stop:
            return
    pytest.fail("the last look ends a run")


def test_nothing_is_worked_out_while_nobody_asks(monkeypatch):
    fed = []
    plain = Running.feed
    monkeypatch.setattr(
        Running, "feed", lambda self, one: (fed.append(len(one)), plain(self, one))
    )
    one = judge()
    for reading in ones(a_run(1, 2 * TOGETHER + 10)):
        one.feed(reading)
    assert len(fed) <= 8  # twice for all, for those at the reference, without outliers
    assert one.assessment().stats.n == 2 * TOGETHER + 10 - 2  # two were settling


@pytest.mark.parametrize("before", [0, 200_000])
def test_a_reading_takes_at_most_a_twentieth_of_a_millisecond(before):
    """Processor time, the best of some rounds; the figures at the end are in it."""
    one = RunJudge(PART, resolution_hz=1e-4)
    ppm = 0.01 * seeded_generator(5).standard_normal(100_000)
    for _ in range(before // 100_000):
        one.feed(columns(16e6 * (1 + 1e-6 * ppm)))
    readings = ones(columns(16e6 * (1 + 1e-6 * ppm[:1000])))
    taken = []
    for _ in range(5):
        began = time.process_time()
        for reading in readings:
            one.feed(reading)
        one.assessment()
        taken.append((time.process_time() - began) / len(readings))
    print(f"{min(taken) * 1e6:.1f} us")
    assert min(taken) <= 50e-6


@pytest.mark.parametrize("bad", [math.nan, math.inf, 0.0, -1.0])
def test_what_is_no_frequency_is_refused_at_once_and_nothing_else_is_lost(bad):
    one, whole = judge(), columns([16e6] * 5)
    one.feed(whole)
    with pytest.raises(DataError, match="not a number above zero"):
        one.feed(columns([16e6, bad]))
    with pytest.raises(DataError):
        one.feed(columns([bad]))
    assert one.assessment().stats.n == 5


def test_batches_leave_in_the_order_they_came():
    gathered, out = Gathered(), []
    whole = columns(np.arange(1.0, 1001.0))
    at = 0
    for size in (1, 0, 100, 1, 300, 5, 255, 1, 200):
        out += gathered.feed(part_of(whole, at, at + size))
        at += size
    out += gathered.all()
    assert np.concatenate([one.id for one in out]).tolist() == list(range(1, at + 1))
    assert not list(gathered.all())
    assert judge().assessment().word is Decision.UNDECIDED
