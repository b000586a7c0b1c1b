"""Decisions at the limit and false differences: the campaign against the judge.

`RISK.md` has the table; here it is thinned out, and its arrays are held against the
judge that the keeper uses.
"""

import math

import numpy as np
import pytest
from columns_maker import columns
from seeds import seeded_generator
from verdict.risk_campaign import differs, early, errors, fixed, told

from benchlog.model import Kind, Limits, Part, Timebase
from benchlog.verdict.run.budget import DRIFT
from benchlog.verdict.run.reading_judge import RunJudge

PART = Part(
    id="x", title="x", kind=Kind.QUARTZ, nominal_hz=1e7, limits=Limits(tolerance_ppm=30)
)
EXACT = Timebase(status="checked", offset_ppm=0.0, u_ppm=0.0)
RUNS = 300
WALK = ("white FM", "random-walk FM", 5.0)


@pytest.mark.parametrize("n", [30, 100])
def test_the_campaign_has_the_figures_of_the_judge(n):
    """Rows with and without a drift; the line of each drift, too."""
    rng = seeded_generator(n)
    y = errors(("white PM", "flicker FM", 5.0), rng, 12, n)
    y[::3] += 20.0 * y.std() * np.arange(n) / n
    found = told(y)
    assert 3 <= np.count_nonzero(found.drift) < 12
    for row, ppm in enumerate(y):
        judge = RunJudge(PART, timebase=EXACT)
        judge.feed(columns(1e7 * (1 + 1e-6 * ppm)))
        budget = judge.assessment().budget
        lines = {line.name: line for line in budget.lines}
        assert lines["statistics"].u_ppm == pytest.approx(found.u[row], rel=1e-3)
        drift = lines[DRIFT].u_ppm * math.sqrt(3.0) if DRIFT in lines else 0.0
        assert drift == pytest.approx(abs(found.drift[row]), rel=1e-3)


def at_most(rate, runs):
    """Return the rate, and three standard deviations of what is counted."""
    return rate + 3.0 * math.sqrt(rate * (1.0 - rate) / runs)


@pytest.mark.parametrize("kind", ["white FM", "random-walk FM", WALK], ids=str)
def test_a_limit_is_seldom_missed(kind):
    y = errors(kind, seeded_generator(11), RUNS, 100)
    for decided in (fixed, early):
        assert max(decided(y)) <= at_most(0.025, RUNS)


@pytest.mark.parametrize("kind", ["flicker FM", WALK], ids=str)
def test_alike_runs_are_seldom_told_different(kind):
    y = errors(kind, seeded_generator(12), RUNS, 200, 100)
    assert differs(y) <= at_most(0.05, RUNS)
