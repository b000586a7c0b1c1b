"""The early stop: its looks and guards, and what its decisions are worth.

The rates have no published values; they are held against what the rule states, by
simulation through the judge that the keeper uses. The whole campaign is marked slow and
writes EARLYSTOP.md when BENCHLOG_KEEP_RESULTS=1; a small one runs always.
"""

import os
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from seeds import seeded_generator
from verdict.campaign import (
    LIMIT_PPM,
    PART,
    RULE,
    Setting,
    Tally,
    columns,
    flicker_fm,
    looking_every_time,
    run,
    white_fm,
    white_pm,
)

from benchlog.errors import UsageError
from benchlog.model import (
    Decision,
    Kind,
    Limits,
    Part,
    Timebase,
)
from benchlog.verdict.lot.capability import Interval
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.early_stop import (
    ERROR_RATE,
    LAST_LOOK_RATE,
    EarlyStop,
    StopRule,
    early_guard_ppm,
    settled,
)
from benchlog.verdict.run.reading_judge import RunJudge

TABLE = Path(__file__).with_name("EARLYSTOP.md")


def assessed(ppm: Sequence[float], u_ppm: float = 0.0, part: Part = PART) -> Assessment:
    judge = RunJudge(
        part, timebase=Timebase(status="stated", offset_ppm=0.0, u_ppm=u_ppm)
    )
    judge.feed(columns(np.asarray(ppm, dtype=np.float64), 0))
    return judge.assessment()


def test_looks_are_few_and_planned() -> None:
    looks = RULE.looks
    assert looks[0] == 10 and looks[-1] == 300 and len(looks) == 16
    ratios = [b / a for a, b in pairwise(looks[:-1])]
    assert all(1.2 <= ratio <= 1.35 for ratio in ratios)
    assert StopRule(10, 10).looks == (10,)
    assert StopRule(10, 11).looks == (10, 11)


def test_shares_sum_up_to_the_stated_rate() -> None:
    """1 - Phi(2) = 2.275 % is left to the last look."""
    assert pytest.approx(stats.norm.sf(2.0), abs=1e-6) == LAST_LOOK_RATE
    early = RULE.early_rate * (len(RULE.looks) - 1)
    assert early + LAST_LOOK_RATE == pytest.approx(ERROR_RATE)


@pytest.mark.parametrize(("least", "most"), [(4, 300), (20, 10), (0, 0)])
def test_numbers_that_cannot_be(least: int, most: int) -> None:
    with pytest.raises(UsageError, match="cannot be"):
        StopRule(least, most)


@pytest.mark.parametrize(
    ("offset", "word"),
    [(3.0, Decision.PASS), (-75.0, Decision.FAIL), (45.0, Decision.FAIL)],
)
def test_a_clear_device_ends_after_the_minimum(offset: float, word: Decision) -> None:
    stop = EarlyStop()
    ppm = offset + seeded_generator(1).normal(0, 0.02, 10)
    assert not stop.step(assessed(ppm[:9])).stop
    step = stop.step(assessed(ppm, 0.1))
    assert (step.stop, step.word) == (True, word)
    assert "after 10 readings" in step.text


def test_a_borderline_device_takes_all_readings() -> None:
    stop = EarlyStop(StopRule(10, 40))
    ppm = LIMIT_PPM + seeded_generator(2).normal(0, 0.5, 40)
    for n in range(1, 40):
        step = stop.step(assessed(ppm[:n]))
        assert not step.stop and "next look at" in step.text
    step = stop.step(assessed(ppm))
    assert (step.stop, step.word) == (True, Decision.UNDECIDED)


def test_no_look_is_taken_between_the_planned_ones() -> None:
    """The same clear readings, first seen at 11 when the look of 10 was taken."""
    stop = EarlyStop()
    rng = seeded_generator(3)
    near = LIMIT_PPM + rng.normal(0, 0.5, 10)
    assert not stop.step(assessed(near)).stop
    clear = rng.normal(0, 0.01, 13)
    assert not stop.step(assessed(clear[:12])).stop
    assert stop.step(assessed(clear)).stop


def test_several_readings_committed_at_once_take_one_look() -> None:
    stop = EarlyStop()
    assert stop.step(assessed(seeded_generator(4).normal(0, 0.01, 45))).stop


def test_when_the_time_is_up_the_plain_verdict_stands() -> None:
    few = assessed(seeded_generator(5).normal(0, 0.01, 4))
    step = EarlyStop().step(few, over=True)
    assert (step.stop, step.word) == (True, few.word)


@pytest.mark.parametrize(("n", "u_base"), [(5, 0.0), (10, 0.0), (30, 0.5), (30, 20.0)])
def test_the_guard_is_the_largest_of_three(n: int, u_base: float) -> None:
    found = assessed(seeded_generator(6).normal(0, 1.0, n), u_base)
    assert found.budget is not None and found.stats.jitter_ppm_rms is not None
    s = found.stats.jitter_ppm_rms
    guard = early_guard_ppm(found, found.budget, RULE.early_rate)
    (fitted,) = (x.u_ppm for x in found.budget.lines if x.name == "statistics")
    share = stats.t.isf(RULE.early_rate, n - 1) * max(fitted, s / np.sqrt(n))
    spent = np.hypot(2 * u_base, share)
    assert guard == pytest.approx(max(found.budget.expanded_ppm, spent, 3 * s))


def test_a_clear_offset_waits_for_a_jitter_that_is_not_clear() -> None:
    limits = Limits(tolerance_ppm=LIMIT_PPM, jitter_ppm=0.5)
    part = Part(id="q", title="q", kind=Kind.QUARTZ, nominal_hz=16e6, limits=limits)
    rng = seeded_generator(7)
    near = assessed(rng.normal(0, 0.45, 10), part=part)
    assert not EarlyStop().step(near).stop
    quiet = EarlyStop().step(assessed(rng.normal(0, 0.02, 10), part=part))
    assert (quiet.stop, quiet.word) == (True, Decision.PASS)
    restless = EarlyStop().step(assessed(rng.normal(0, 4.0, 10), part=part))
    assert (restless.stop, restless.word) == (True, Decision.FAIL)


def test_settled() -> None:
    """A tenth of 30 ppm is 3 ppm: over 10 s a slope of 0.3 ppm/s is the limit."""
    times = [float(i) for i in range(8)]
    assert settled(times, [0.29 * t for t in times], 10.0, LIMIT_PPM)
    assert not settled(times, [0.31 * t for t in times], 10.0, LIMIT_PPM)
    assert not settled(times, [-0.31 * t for t in times], 10.0, LIMIT_PPM)
    assert not settled(times[:4], [0.0] * 4, 10.0, LIMIT_PPM)
    assert not settled([1.0] * 5, [0.0] * 5, 10.0, LIMIT_PPM)


def test_only_the_last_five_readings_count_for_settling() -> None:
    times = [float(i) for i in range(12)]
    warming = [-50.0 * np.exp(-t / 1.0) for t in times]
    assert not settled(times[:5], warming[:5], 10.0, LIMIT_PPM)
    assert settled(times, warming, 10.0, LIMIT_PPM)


def test_slope_is_the_least_squares_one() -> None:
    rng = seeded_generator(8)
    times, values = list(np.cumsum(rng.uniform(0.5, 1.5, 5))), list(rng.normal(0, 1, 5))
    slope = abs(np.polyfit(times, values, 1)[0])
    limit_at = slope * 7.0 / 0.1
    assert settled(times, values, 7.0, limit_at * 1.0001)
    assert not settled(times, values, 7.0, limit_at * 0.9999)


# --- what the decisions are worth ---------------------------------------------------


def test_small_campaign_at_the_limit_and_around_it() -> None:
    rule = StopRule(10, 60)
    at_limit, _ = run(Setting("", white_fm, 150, rule=rule), seed=21)
    assert at_limit.accepts().low <= ERROR_RATE
    assert at_limit.rejects().low <= ERROR_RATE
    around, fixed = run(Setting("", white_fm, 200, 10.0, rule=rule), seed=22)
    assert around.false_accept + around.false_reject <= 3
    assert np.mean(around.readings) < 0.6 * np.mean(fixed.readings)


def test_looking_after_every_reading_would_err_far_more_often() -> None:
    naive = looking_every_time(400, 23, RULE)
    assert naive.accepts().low > 2 * ERROR_RATE
    assert naive.rejects().low > 2 * ERROR_RATE


SETTINGS = (
    Setting("at the limit, white FM", white_fm, 10_000),
    Setting("at the limit, white FM, time base u = 0.06 s", white_fm, 10_000, 0, 0.06),
    Setting("limit +-10 s, white FM", white_fm, 10_000, 10.0),
    Setting("limit +-25 s, white FM", white_fm, 10_000, 25.0),
    Setting("at the limit, white PM", white_pm, 2_000),
    Setting("at the limit, flicker FM", flicker_fm, 2_000),
    Setting("limit +-10 s, flicker FM", flicker_fm, 2_000, 10.0),
)


HEAD = """# What the early stop is worth

Written by `BENCHLOG_KEEP_RESULTS=1 pytest -m slow tests/verdict/test_earlystop.py`.
Readings of scatter s = 1 ppm against a limit of 30 ppm, 10 to 300 readings; in brackets
95 % (Clopper-Pearson). A device at its limit may be falsely accepted in 2.5 % of cases
at most, and falsely rejected in 2.5 %. False accepts are counted among the devices that
do not conform, false rejects among those that do; at the limit every device is taken as
both. With flicker noise the truth is taken to be the mean over all time, of which no
short run knows: its U speaks of the next run as long as this one. No rate is stated
there, for the fixed number neither.
"""


@pytest.mark.slow
def test_campaign() -> None:
    found = {s.name: run(s, seed=100 + i) for i, s in enumerate(SETTINGS)}
    naive = looking_every_time(10_000, 99, RULE)
    table = "\n".join(_lines(found, naive))
    print(f"\n{table}")
    if os.environ.get("BENCHLOG_KEEP_RESULTS") == "1":
        TABLE.write_text(table + "\n", encoding="utf-8")
    for setting in SETTINGS:
        early, fixed = found[setting.name]
        if setting.noise is not flicker_fm:
            assert early.accepts().low <= ERROR_RATE, setting.name
            assert early.rejects().low <= ERROR_RATE, setting.name
        # stopping early adds less than the share that it may spend, with chance's part
        assert early.accepts().low <= fixed.accepts().high + 0.00225, setting.name
        assert early.rejects().low <= fixed.rejects().high + 0.00225, setting.name
        if setting.spread_ppm:
            assert np.mean(early.readings) < 0.5 * np.mean(fixed.readings)
    assert naive.accepts().low > 4 * ERROR_RATE


def _lines(found: dict[str, tuple[Tally, Tally]], naive: Tally) -> list[str]:
    columns_ = (
        "devices",
        "rule",
        "n",
        "false accept %",
        "false reject %",
        "undecided %",
        "mean readings",
        "saved",
    )
    head = (HEAD, f"| {' | '.join(columns_)} |", "|---" * len(columns_) + "|")
    rows = []
    for name, tallies in found.items():
        for rule, tally in zip(("early stop", "fixed 300"), tallies, strict=True):
            rows.append(_row(name, rule, tally))
    every = "95 % t-interval after every reading"
    rows.append(_row("at the limit, white FM", every, naive))
    return [*head, *rows]


def _row(name: str, rule: str, tally: Tally) -> str:
    both = tally.good + tally.bad == 2 * tally.good
    n = tally.good if both else len(tally.readings)
    undecided = 100 * tally.undecided / len(tally.readings)
    mean = float(np.mean(tally.readings))
    cells = (
        name,
        rule,
        f"{n:,}",
        _percent(tally.accepts()),
        _percent(tally.rejects()),
        f"{undecided:.1f}",
        f"{mean:.0f}",
        f"{1 - mean / RULE.max_readings:.0%}",
    )
    return f"| {' | '.join(cells)} |"


def _percent(share: Interval) -> str:
    return f"{100 * share.value:.2f} ({100 * share.low:.2f} to {100 * share.high:.2f})"
