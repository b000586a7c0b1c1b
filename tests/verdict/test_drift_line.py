"""Drift as a line of the budget: how often U then holds the stretch that follows.

The claim is that of tests/analysis/test_coverage.py: the mean of the equally long
stretch that follows lies within sqrt(2) U. Noise is from its makers, a drift is in
units of u of the mean: by so much the stretch that follows has drifted on.
"""

import numpy as np
import pytest
from columns_maker import columns
from noise_makers import allan_variance, make
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.even_drift import drift_of, without_drift
from benchlog.analysis.running import Running
from benchlog.analysis.uncertainty import mean_uncertainty
from benchlog.model import Kind, Limits, Part, Timebase
from benchlog.verdict.run.budget import DRIFT, budget_of
from benchlog.verdict.run.reading_judge import RunJudge

PART = Part(
    id="x",
    title="x",
    kind=Kind.QUARTZ,
    nominal_hz=1e7,
    limits=Limits(tolerance_ppm=30.0),
)
EXACT = Timebase(status="checked", offset_ppm=0.0, u_ppm=0.0)


def figures(ppm):
    running = Running(1e7)
    running.feed(columns(1e7 * (1 + 1e-6 * ppm)))
    return running.stats()


def judged(ppm):
    judge = RunJudge(PART, timebase=EXACT)
    judge.feed(columns(1e7 * (1 + 1e-6 * ppm)))
    return judge.assessment()


def noise(kind, runs, n, rng):
    """Return stretches of 2 n whose means over n have an Allan deviation of 1e-2."""
    level = 1e-2 / np.sqrt(allan_variance(kind, n, 2 * n))
    return level * make(kind, rng, runs, 2 * n)


def held(kind, drift, n=100, runs=60, seed=81):
    """Return the share of runs whose U holds, and of those with a line for drift."""
    rng = seeded_generator(seed)
    ramp = drift * 1e-2 * np.arange(2 * n) / n
    within = lines = 0
    for row in noise(kind, runs, n, rng) + ramp:
        found = judged(row[:n])
        apart = row[n:].mean() - row[:n].mean()
        within += abs(apart) <= np.sqrt(2) * found.u_ppm
        lines += any(line.name == DRIFT for line in found.budget.lines)
    return within / runs, lines / runs


@pytest.mark.parametrize(
    "kind", [seldom("white FM"), "flicker FM", seldom("random-walk FM")]
)
def test_a_strong_drift_is_held(kind):
    """Without the line: 67 %, none, none of 150 runs each."""
    within, lines = held(kind, 30.0)
    assert within >= 0.93 and lines >= 0.9


@pytest.mark.parametrize("kind", ["white FM", "white PM", "flicker FM"])
def test_noise_is_seldom_called_a_drift(kind):
    _, lines = held(kind, 0.0)
    assert lines <= 0.15  # 5 % by chance; 60 runs


def test_the_line_is_slope_times_t_and_is_told():
    found = judged(noise("white FM", 1, 100, seeded_generator(82))[0, :100] + RAMP)
    (line,) = (one for one in found.budget.lines if one.name == DRIFT)
    assert line.u_ppm * np.sqrt(3) == pytest.approx(2.0, rel=0.05)
    assert line.distribution == "rectangular" and "still moving" in line.text
    assert any("the frequency drifts" in reason for reason in found.reasons)
    (statistics,) = (one for one in found.budget.lines if one.name == "statistics")
    assert statistics.u_ppm < 0.1  # the noise beside the drift, not the drift


RAMP = 2.0 * np.arange(100) / 100


def test_a_drift_adds_its_half_square_to_the_allan_variance():
    """NIST SP 1065, 5.2.7, from memory: exact for a line alone."""
    found = without_drift(figures(RAMP + 1e-9 * np.cos(np.arange(100.0))))
    assert found.slope_ppm_per_s == 0.0
    assert max(point.avar for point in found.bridged) < 1e-9


def test_no_drift_without_readings_enough():
    stats = figures(RAMP[:20] + 1e-6 * np.cos(np.arange(20.0)))
    assert drift_of(stats, mean_uncertainty(stats)) is None
    assert budget_of(()).expanded_ppm == 0.0
