"""The early stop: its looks and guards, and what its decisions are worth.

The rates have no published values; they are held against what the rule states, by
simulation through the judge that the keeper uses. The whole campaign is marked slow and
writes EARLYSTOP.md when BENCHLOG_KEEP_RESULTS=1; a small one runs always.
"""

import os
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import scipy
from seeds import seeded_generator
from verdict.campaign import (
    LIMIT_PPM,
    PART,
    RULE,
    Setting,
    Tally,
    columns,
    flicker_fm,
    flicker_from_rest,
    looking_every_time,
    random_walk,
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
from benchlog.verdict.run.budget import BudgetLine, budget_of
from benchlog.verdict.run.early_stop import (
    ERROR_RATE,
    LAST_LOOK_RATE,
    EarlyStop,
    StopRule,
    look_guard_ppm,
    look_word,
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
    """1 - Phi(2) = 2.275 % is for the last look."""
    assert pytest.approx(scipy.stats.norm.sf(2.0), abs=1e-6) == LAST_LOOK_RATE
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


@pytest.mark.parametrize("freedom", [1.5, 4.0, 20.0, 400.0])
def test_the_looks_share_the_rate_at_every_number_of_degrees_of_freedom(freedom):
    """Tails of Student's t (scipy) at the guards of all looks, the last included."""
    line = BudgetLine(name="statistics", u_ppm=0.7, degrees_of_freedom=freedom)
    budget = budget_of([line])
    early, last = RULE.early_rate, LAST_LOOK_RATE
    tails = [
        scipy.stats.t.sf(look_guard_ppm(budget, rate) / 0.7, freedom)
        for rate in (*[early] * (len(RULE.looks) - 1), last)
    ]
    assert sum(tails) == pytest.approx(ERROR_RATE, rel=2e-3)
    assert look_guard_ppm(budget, last) > budget.expanded_ppm


def test_the_last_look_has_its_own_guard():
    """A device that U alone just clears, after 16 looks, is undecided."""
    found = assessed(seeded_generator(6).normal(0, 1.0, 300))
    guard = look_guard_ppm(found.budget, LAST_LOOK_RATE)
    assert 1.01 * found.u_ppm < guard < 1.1 * found.u_ppm
    for room, word in (
        (0.99 * guard, Decision.UNDECIDED),
        (1.01 * guard, Decision.PASS),
    ):
        near = replace(found, word=Decision.PASS, offset_ppm=found.limit.ppm - room)
        assert EarlyStop().step(near).word is word
        assert look_word(near, LAST_LOOK_RATE) is word


def test_a_walk_goes_on_to_its_end_and_says_why():
    """Its mean so far is clear of the limit; the whole run may be elsewhere."""
    stop = EarlyStop(StopRule(60, 300))
    walk = 0.05 * np.cumsum(seeded_generator(9).normal(0, 1, 60))
    found = assessed(walk - walk.mean() + LIMIT_PPM - 1.0)
    step = stop.step(found)
    assert (step.stop, found.word) == (False, Decision.PASS)
    assert "it wanders slowly" in step.text
    assert look_word(found, StopRule(60, 300).early_rate) is Decision.PASS
    steady = LIMIT_PPM - 2.0 + seeded_generator(9).normal(0, 0.1, 60)
    assert EarlyStop(StopRule(60, 300)).step(assessed(steady)).stop


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
    assert np.mean(around.readings) < 0.85 * np.mean(fixed.readings)


def test_looking_after_every_reading_would_err_far_more_often() -> None:
    naive = looking_every_time(400, 23, RULE)
    assert naive.accepts().low > 2 * ERROR_RATE
    assert naive.rejects().low > 2 * ERROR_RATE


FEW, LONG = StopRule(5, 20), StopRule(30, 1000)
SETTINGS = (
    Setting("at the limit, white FM", white_fm, 4_000),
    Setting("at the limit, white FM, 5 to 20 readings", white_fm, 4_000, rule=FEW),
    Setting("at the limit, white FM, 30 to 1000", white_fm, 1_000, rule=LONG),
    Setting("at the limit, white FM, time base u = 0.06 s", white_fm, 4_000, 0, 0.06),
    Setting("limit +-10 s, white FM", white_fm, 2_000, 10.0),
    Setting("limit +-25 s, white FM", white_fm, 2_000, 25.0),
    Setting("at the limit, white PM", white_pm, 2_000),
    Setting("at the limit, flicker FM", flicker_fm, 2_000),
    Setting("at the limit, flicker FM from rest", flicker_from_rest, 2_000),
    Setting("at the limit, random walk", random_walk, 2_000),
    Setting("at the limit, random walk, 5 to 20", random_walk, 2_000, rule=FEW),
    Setting("limit +-10 s, flicker FM", flicker_fm, 2_000, 10.0),
)


HEAD = """# What the early stop is worth

Written by `BENCHLOG_KEEP_RESULTS=1 pytest -m slow tests/verdict/test_earlystop.py`.
Readings of scatter s = 1 ppm against a limit of 30 ppm, 10 to 300 readings where no
other numbers are given; in brackets 95 % (Clopper-Pearson). A device at its limit may
be falsely accepted in 2.5 % of cases at most, and falsely rejected in 2.5 %. False
accepts are counted among the devices that do not conform, false rejects among those
that do; at the limit every device is taken as both. What the device truly has is the
mean over all time under "flicker FM" (relaxations of up to 512 readings), and where the
noise set out under "flicker FM from rest" and "random walk": a run of a random walk
strays from there by the Allan deviation at its length, which is what its U states.
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
        assert early.accepts().low <= ERROR_RATE, setting.name
        assert early.rejects().low <= ERROR_RATE, setting.name
        # stopping early adds less than the share that it may spend, with chance's part
        assert early.accepts().low <= fixed.accepts().high + 0.00225, setting.name
        assert early.rejects().low <= fixed.rejects().high + 0.00225, setting.name
        if setting.spread_ppm and setting.noise is white_fm:
            assert np.mean(early.readings) < 0.55 * np.mean(fixed.readings)
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
        for rule, tally in zip(("early stop", "fixed number"), tallies, strict=True):
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
        f"{1 - mean / max(tally.readings):.0%}",
    )
    return f"| {' | '.join(cells)} |"


def _percent(share: Interval) -> str:
    return f"{100 * share.value:.2f} ({100 * share.low:.2f} to {100 * share.high:.2f})"
