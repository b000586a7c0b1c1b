"""A time base whose checks tell how it ages, and one whose checks contradict."""

from dataclasses import replace

import numpy as np
import pytest
import scipy
from columns_maker import columns
from seeds import seeded_generator

from benchlog.catalogue import load_part
from benchlog.model import (
    Decision,
    Identity,
    InstrumentSpec,
    ReferenceCheck,
    Timebase,
)
from benchlog.units import NS_PER_S
from benchlog.verdict.run.reading_judge import RunJudge
from benchlog.verdict.timebase.check_validity import timebase_now
from benchlog.verdict.timebase.learnt_ageing import learnt_ageing

DAY_NS = 86_400 * NS_PER_S
WHO = Identity("counter", serial="7")
SPEC = InstrumentSpec(name="counter", driver="scpi-counter", timebase_ppm=0.05)


def check(day, offset_ppm, u_ppm=0.005):
    return ReferenceCheck(
        instrument=WHO,
        offset_ppm=offset_ppm,
        u_ppm=u_ppm,
        method="pps",
        at_utc_ns=day * DAY_NS,
        valid_until_utc_ns=(day + 30) * DAY_NS,
    )


@pytest.mark.parametrize(
    ("after_s", "said"),
    [(260, "4 min 20 s"), (36_000, "10 h 00 min"), (20 * 86_400, "20 d 0 h")],
)
def test_the_age_of_a_check_is_told_as_people_say_it(after_s, said):
    at_ns = 100 * DAY_NS + after_s * NS_PER_S
    base = timebase_now(SPEC, [check(100, 0.3)], at_ns)
    assert base.text.startswith(f"checked {said} before (pps)")


def test_the_slope_is_that_of_least_squares():
    days = np.array([0, 40, 90, 200])
    offset = np.array([0.30, 0.33, 0.35, 0.41])
    known = [check(int(day), float(one)) for day, one in zip(days, offset, strict=True)]
    fit = scipy.stats.linregress(days / 365.25, offset)
    u = max(
        fit.stderr, 0.005 / np.sqrt(np.sum((days / 365.25 - days.mean() / 365.25) ** 2))
    )
    assert learnt_ageing(known) == pytest.approx(fit.slope + 2 * u)
    assert learnt_ageing(known[:2]) is None


def test_an_expired_check_keeps_its_offset_and_ages_by_what_was_learnt():
    known = [check(day, 0.3) for day in (0, 40, 90)]
    base = timebase_now(SPEC, known, 300 * DAY_NS)
    assert (base.status, base.offset_ppm, base.stale) == ("checked", 0.3, True)
    assert "what its checks tell" in base.text
    rate = learnt_ageing(known)
    assert base.u_ppm == pytest.approx(np.hypot(0.005, rate * 210 / 365.25 / 3**0.5))


def judged(base: Timebase, offset_ppm: float) -> Decision:
    part = load_part("quartz-16mhz-30ppm")
    part = replace(part, limits=replace(part.limits, tolerance_ppm=8.5))
    noise = seeded_generator(1).normal(0.0, 0.005, 60)
    judge = RunJudge(part, timebase=base, resolution_hz=0.001)
    judge.feed(columns(16e6 * (1 + (offset_ppm + noise) * 1e-6)))
    return judge.assessment().word


def test_an_expired_check_passes_nothing_that_it_had_shown_to_fail():
    """The counter reads 8.326 ppm; its base is 0.3 ppm fast, +-0.05 is stated."""
    known = [check(0, 0.3)]
    assert judged(timebase_now(SPEC, known, 20 * DAY_NS), 8.326) is Decision.FAIL
    later = judged(timebase_now(SPEC, known, 60 * DAY_NS), 8.326)
    assert later is not Decision.PASS


def test_a_contradicted_base_gives_no_confident_figure():
    known = [check(0, 0.3), check(1, 0.9)]
    base = timebase_now(SPEC, known, 2 * DAY_NS)
    assert base.offset_ppm == 0.9 and base.apart_ppm == pytest.approx(0.6)
    assert judged(base, 7.4) is Decision.UNDECIDED  # 8.3 or 7.7 of 8.5
    assert judged(base, 6.0) is Decision.PASS
