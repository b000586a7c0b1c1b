"""A short run rests on the Allan deviation of a soak, or says why it does not.

Source of what an Allan variance of white FM is (sigma^2 / m) and of its slope:
NIST SP 1065.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from columns_maker import columns
from scipy.special import stdtrit
from seeds import seeded_generator
from tiers import seldom
from verdict.learnt_campaign import NOISES, coverage, name

from benchlog.analysis.running import Running
from benchlog.model import Kind, LearntStability, Limits, Part
from benchlog.units import NS_PER_S, SECONDS_PER_DAY
from benchlog.verdict.run.budget import DRIFT
from benchlog.verdict.run.reading_judge import RunJudge
from benchlog.verdict.soak.learnt_stability import (
    is_fresh,
    learnt_from_soak,
    noise_of_slope,
)

PART = Part(
    id="q", title="", kind=Kind.QUARTZ, nominal_hz=16e6, limits=Limits(tolerance_ppm=30)
)
SIGMA_PPM = 0.05


def readings(n, seed, sigma_ppm=SIGMA_PPM, gate_s=1.0):
    noise = sigma_ppm * seeded_generator(seed).standard_normal(n)
    return columns(16e6 * (1 + noise * 1e-6), gate_s=gate_s)


def soak(n=2400, gate_s=1.0) -> LearntStability:
    running = Running(16e6)
    running.feed(readings(n, 3, gate_s=gate_s))
    found = learnt_from_soak(
        running.stats(), run_id=7, device="S-1", began_utc_ns=0, ended_utc_ns=10**18
    )
    assert found is not None
    return found


def judged(learnt, n=100, seed=5, **more):
    judge = RunJudge(PART, learnt=learnt)
    judge.feed(readings(n, seed, **more))
    return judge.assessment()


def line_of(assessment):
    return next(one for one in assessment.budget.lines if one.name == "statistics")


def test_u_is_the_soaks_allan_deviation_at_the_length_of_the_run():
    a = judged(soak())
    line = line_of(a)
    # white FM: sigma / sqrt(n), SP 1065; 24 spans know it to some 15 %
    assert line.u_ppm == pytest.approx(SIGMA_PPM / math.sqrt(100), rel=0.3)
    assert 15 < line.degrees_of_freedom < 40
    assert a.rest.rests_on == 7
    said = "Allan deviation at 1 min 40 s by run 7, the soak of S-1 until 2001-09-09"
    assert said in line.text
    assert half_width(line) < 0.7 * half_width(line_of(judged(None)))


def half_width(line):
    return stdtrit(line.degrees_of_freedom, 0.975) * line.u_ppm


@pytest.mark.parametrize("sigma_ppm", [0.4 * SIGMA_PPM, 2 * SIGMA_PPM])
def test_a_device_that_departs_is_told_and_judged_by_itself(sigma_ppm):
    a = judged(soak(), sigma_ppm=sigma_ppm)
    assert a.rest.rests_on is None
    said = [one for one in a.reasons if "departs from run 7" in one]
    assert len(said) == 1 and "by itself" in said[0]
    own = judged(None, sigma_ppm=sigma_ppm)
    assert line_of(a).u_ppm == line_of(own).u_ppm
    assert own.rest is None


def drifting(times, learnt, n=100):
    """Judge a run that drifts by some times what a line has by chance in white FM."""
    by_chance_ppm = SIGMA_PPM * math.sqrt(12.0 / n)
    ramp = times * by_chance_ppm * np.arange(n) / n
    noise = SIGMA_PPM * seeded_generator(6).standard_normal(n)
    noise -= np.polyval(np.polyfit(np.arange(n), noise, 1), np.arange(n))
    judge = RunJudge(PART, learnt=learnt)
    judge.feed(columns(16e6 * (1 + (noise + ramp) * 1e-6)))
    return judge.assessment()


def test_a_drift_beyond_the_soaks_noise_is_told_and_judged_alone():
    """1.7 and 2.6 times: between them is the 5 % bound of F (1, 24), 2.06 squared."""
    assert drifting(1.7, soak()).rest.rests_on == 7
    a = drifting(2.6, soak())
    assert a.rest.rests_on is None
    (said,) = (one for one in a.reasons if "drifts by" in one and "run 7" in one)
    assert "U is from this run by itself" in said
    assert "by itself: it drifts beside run 7" in line_of(a).text


def test_a_strong_drift_has_its_line_and_its_reason():
    a = drifting(20.0, soak())
    assert any(line.name == DRIFT for line in a.budget.lines)
    assert "by itself: it drifts beside run 7" in line_of(a).text
    alone = drifting(20.0, None)
    assert a.u_ppm == alone.u_ppm and "by itself" not in line_of(alone).text


@pytest.mark.parametrize(
    ("learnt", "n", "said"),
    [
        (soak(gate_s=2.0), 100, "had a gate of 2"),
        (
            replace(soak(), tau0_s=1.5),
            100,
            "had a reading every 1.5 s, this run every 1 s",
        ),
        (soak(1199), 100, "is shorter than 12 times this run"),
        (replace(soak(), void="void (knocked)"), 100, "void (knocked)"),
        (soak(), 9, "counts from 10 readings on"),
    ],
    ids=["gate", "tau0", "short", "void", "few"],
)
def test_a_soak_that_does_not_fit_is_not_rested_on(learnt, n, said):
    a = judged(learnt, n)
    line = line_of(a)
    assert a.rest.rests_on is None and not a.rest.departure
    assert said in line.text
    assert line.u_ppm == line_of(judged(None, n)).u_ppm


def test_twelve_spans_are_enough():
    assert judged(soak(1200)).rest.rests_on == 7


def test_a_soak_expires_after_90_days():
    day_ns = SECONDS_PER_DAY * NS_PER_S
    assert is_fresh(0, 90 * day_ns)
    assert not is_fresh(0, 91 * day_ns)


@pytest.mark.parametrize(
    ("mu", "alpha"), [(-2, 1), (-1, 0), (-0.1, -1), (0.9, -2), (2, -2)]
)
def test_the_noise_by_the_slope_of_the_allan_variance(mu, alpha):
    """NIST SP 1065, table 3: mu = -alpha - 1."""
    assert noise_of_slope(mu) == alpha


def test_readings_all_alike_teach_nothing():
    running = Running(16e6)
    running.feed(columns(np.full(50, 16e6)))
    assert (
        learnt_from_soak(
            running.stats(), run_id=1, device="S", began_utc_ns=0, ended_utc_ns=0
        )
        is None
    )


@pytest.mark.parametrize(
    ("kind", "runs"),
    [(NOISES[0], 50), (NOISES[-1], 50), *(seldom(one, 150) for one in NOISES)],
    ids=lambda one: name(one) if one in NOISES else str(one),
)
def test_intervals_hold_in_small(kind, runs):
    """LEARNT.md thinned out: runs of 100, within three standard deviations."""
    found = coverage(kind, 100, runs=runs)
    assert found.held >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / runs)
    assert found.width <= 1.2
    assert found.departed <= 0.04
    assert found.drifted <= 0.05 + 3 * math.sqrt(0.95 * 0.05 / runs)
