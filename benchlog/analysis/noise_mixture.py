"""Which noises could have made these Allan variances: weighing mixtures of them.

A run of length T says little about noise at averaging times near T, and the mean of
the run depends on just that. Picking the one best fit therefore understates. Here every
mixture of up to three of

    d/tau^2 + a/tau + b + c tau        (all terms non-negative)

on a ladder of ratios is weighed by how well it explains the variances that were found
(chi-squared, with their degrees of freedom; the level is integrated out), and the
spread to expect of the mean is the weighted mixture of what each of them says at
tau = T. Ladder and weights were settled by simulation: tests/analysis/test_coverage.py.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, pairwise, product
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

Array = NDArray[np.float64]

# definition: of tau, in the terms above
POWERS: Final = np.array([-2.0, -1.0, 0.0, 1.0])
# derived; see below
SLOPE: Final = np.array([2.0, 1.0, 0.542, 0.300])
"""(slope T)^2 / 12 of a least-squares line, over the Allan variance at T, per term;
exact for long runs except flicker, which is numeric."""

_AT_T: Final = np.ones(4)  # definition: each term is its share of the variance at T
# The ladder's ends and step: tests/finders/ladder.py; its weights: ladder_weights.py
# there. Criterion of both: the aim of the shares in tests/analysis/coverage.md.
_STEP: Final = 4.0  # of the ladder: ratio of the slower term to the faster one at T
_LOW: Final = 3.0  # its first rung; smaller ratios hardly widen anything
_TOP: Final = 16.0  # its last, as the ratio at tau0: the faster term is not seen there
_RUNGS: Final = (1.0, 0.125, 0.06, 0.135)  # weight of a rung by the slower term
_PHASE_RUNG: Final = 0.1  # further weight where white PM is one of several
# Freedom of octaves and slope: tests/finders/freedom_shares.py, the same criterion.
_SHARE_OF_FREEDOM: Final = 0.6  # octaves overlap: together they know less than summed
_SLOPE_FREEDOM: Final = 0.7
# u is widened by 1 + NUMERATOR / (n + ADDED), for short runs most. Swept against the
# miss of 95 % over noises and lengths by tests/finders/widening.py (see RESULTS.md).
WIDENING_NUMERATOR: Final = 2.5
WIDENING_ADDED: Final = 15.0
_GRID_STEP: Final = 0.05  # of ln u; our rule: 5 %
# steps to each side of the centre; our rule: a factor of 400 each way
_GRID: Final = 120
# our rule: beyond 400 a t distribution is normal
_FREEDOM: Final = np.geomspace(1.0, 400.0, 400)
# definition: 95 % and one standard deviation
_TAIL_RATIO: Final = stdtrit(_FREEDOM, 0.975) / stdtrit(_FREEDOM, 0.841344746)
_PROBABILITIES: Final = (0.682689492, 0.95)  # definition: 1 sigma and 95 %


class Ladder(NamedTuple):
    """Which ratios of the terms are weighed, and the weight of each rung."""

    step: float = _STEP
    low: float = _LOW
    top: float = _TOP
    rungs: tuple[float, float, float, float] = _RUNGS
    phase_rung: float = _PHASE_RUNG


_LADDER: Final = Ladder()


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What runs of equal length have shown; one row per run, one column per octave.

    Parameters
    ----------
    m : array, shape (octaves,)
        Averaging factors.
    avar, freedom : array, shape (runs, octaves)
        Allan variances and their degrees of freedom (0 where there are no pairs).
    slope2 : array, shape (runs,)
        (slope T)^2 / 12 of the least-squares line, in the unit of `avar`.
    length : float
        T in units of tau0.

    """

    m: Array
    avar: Array
    freedom: Array
    slope2: Array
    length: float


@dataclass(frozen=True, slots=True)
class ExpectedMean:
    """What to expect of the runs' means: standard uncertainty, freedom, terms at T.

    `u` and `freedom` describe the Student distribution that holds as much as the
    mixture within its 68 % and 95 % bounds. `terms`, shape (runs, 4), are those of the
    single likeliest mixture.
    """

    u: Array
    freedom: Array
    terms: Array


def spread_of(
    evidence: Evidence,
    gains: Array = _AT_T,
    *,
    ladder: Ladder = _LADDER,
    share_of_freedom: float = _SHARE_OF_FREEDOM,
    slope_freedom: float = _SLOPE_FREEDOM,
) -> ExpectedMean:
    """Weigh all mixtures and return what they say together of u at tau = T.

    `gains`, shape (4,), are for another figure than the Allan deviation at T: its
    variance for each term over the Allan variance of that term at T.
    """
    shares, log_weight = _shapes(evidence.length, ladder)
    model = shares @ (evidence.m / evidence.length) ** POWERS[:, None]
    model = np.column_stack([model, shares @ SLOPE])
    avar = np.column_stack([evidence.avar, evidence.slope2])
    of_slope = np.full(len(avar), slope_freedom)
    freedom = np.column_stack([share_of_freedom * evidence.freedom, of_slope])
    total = freedom.sum(axis=1)
    misfit = (freedom * avar) @ (1.0 / model).T
    log_likelihood = -0.5 * (freedom @ np.log(model).T + total[:, None] * _log(misfit))
    log_posterior = log_weight + log_likelihood
    log_posterior -= log_posterior.max(axis=1, keepdims=True)
    weight = np.exp(log_posterior)
    weight /= weight.sum(axis=1, keepdims=True)
    level = misfit / total[:, None]
    log_u = 0.5 * _log((shares @ gains) * level)
    u, found = as_student(weight, log_u, total)
    widened = u * widening(evidence.length)
    likeliest = log_posterior.argmax(axis=1)
    of_run = np.arange(len(avar))
    terms = shares[likeliest] * level[of_run, likeliest][:, None]
    return ExpectedMean(widened, found, terms)


def widening(
    length: float,
    numerator: float = WIDENING_NUMERATOR,
    added: float = WIDENING_ADDED,
) -> float:
    """Return the factor on u for a run of `length` tau0, more than one for a few."""
    return 1.0 + numerator / (length + added)


def _log(values: Array) -> Array:
    return np.log(np.maximum(values, np.finfo(np.float64).tiny))


def _shapes(length: float, ladder: Ladder) -> tuple[Array, Array]:
    step, low, top = ladder.step, ladder.low, ladder.top
    rungs = tuple(
        math.ceil(math.log(top * length**apart / low) / math.log(step)) + 1
        for apart in (1, 2, 3)
    )
    return _ladder(rungs, ladder)


@lru_cache(maxsize=64)
def _ladder(rungs: tuple[int, ...], ladder: Ladder) -> tuple[Array, Array]:
    """Return shares of the four terms at T, shape (shapes, 4), and log weights."""
    shares: list[list[float]] = []
    weights: list[float] = []
    for size in (1, 2, 3):
        for terms in combinations(range(4), size):
            gaps = [b - a for a, b in pairwise(terms)]
            weight = math.prod(ladder.rungs[term] for term in terms[1:])
            weight *= ladder.phase_rung if size > 1 and terms[0] == 0 else 1.0
            for steps in product(*(range(rungs[gap - 1]) for gap in gaps)):
                row, value = [0.0] * 4, 1.0
                row[terms[0]] = 1.0
                for term, step in zip(terms[1:], steps, strict=True):
                    value *= ladder.low * ladder.step**step
                    row[term] = value
                shares.append(row)
                weights.append(weight)
    return np.array(shares), np.log(np.array(weights))


def as_student(weight: Array, log_u: Array, freedom: Array) -> tuple[Array, Array]:
    """Replace a mixture of Student distributions by the nearest single one."""
    centre = (weight * log_u).sum(axis=1)
    at = np.rint((log_u - centre[:, None]) / _GRID_STEP).astype(np.int64)
    cells = 2 * _GRID + 1
    at = np.clip(at + _GRID, 0, cells - 1) + cells * np.arange(len(weight))[:, None]
    flat = np.bincount(at.ravel(), weight.ravel(), cells * len(weight))
    mass = flat.reshape(len(weight), cells).astype(np.float64)
    steps = np.arange(-2 * _GRID, 2 * _GRID + 1) * _GRID_STEP
    bounds = [
        _bounds(row, 2.0 * stdtr(nu, np.exp(steps)) - 1.0)
        for row, nu in zip(mass, freedom, strict=True)
    ]
    low, high = np.exp(np.array(bounds).T + centre)
    found = np.interp(high / low, _TAIL_RATIO[::-1], _FREEDOM[::-1])
    return high / stdtrit(found, 0.975), found


def _bounds(mass: Array, within: Array) -> list[float]:
    """Return ln of the half-widths that hold 68 % and 95 % of the mixture."""
    held = np.convolve(mass, within, mode="valid")
    grid = (np.arange(len(held)) - (len(held) - 1) / 2) * _GRID_STEP
    return [float(np.interp(p, held, grid)) for p in _PROBABILITIES]
