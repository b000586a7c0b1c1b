"""Which noises could have made these Allan variances: weighing mixtures of them.

A run of length T says little about noise at averaging times near T, and the mean of
the run depends on just that. Picking the one best fit therefore understates. Here every
mixture of up to three of

    d/tau^2 + a/tau + b + c tau        (all terms non-negative)

on a ladder of ratios is weighed by how well it explains what was found (the level is
integrated out), and the spread to expect of the mean is the weighted mixture of what
each of them says at tau = T. Found are the Allan variances at short averaging times
(chi-squared, with their degrees of freedom) and the run's slowest motions
(`phase_contrasts`, normal with a covariance for each term). Where the phase was lost,
all octaves and the slope are taken. Ladder and weights were settled by simulation:
tests/analysis/test_coverage.py.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, pairwise, product
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from benchlog.analysis.phase_contrasts import covariances

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
# The same where the slowest motions are known, for each pair of a faster and a slower
# term: tests/finders/pair_weights.py, its criterion.
_PAIRS: Final = (1.0, 0.03, 0.15, 0.02, 0.135, 0.3)
_OCTAVES_TO: Final = 16.0  # our rule: what is slower than T/16, the motions tell better
# Freedom of octaves and slope: tests/finders/freedom_shares.py, the same criterion.
_SHARE_OF_FREEDOM: Final = 0.6  # octaves overlap: together they know less than summed
_SLOPE_FREEDOM: Final = 0.7
# Most freedom of one octave beside the slowest motions. Octaves at short times know
# their variances better than a ladder in steps of four can follow; taken at their full
# freedom they choose whatever shape bends to them, and the motions are not heard.
# tests/finders/octave_freedom.py, the criterion of pair_weights.py.
_MOST_FREEDOM: Final = 20.0
# Where only octaves are known, u is widened by 1 + NUMERATOR / (n + ADDED), for short
# runs most. Swept against the miss of 95 % over noises and lengths by
# tests/finders/widening.py (see RESULTS.md).
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
    pairs: tuple[float, ...] = _PAIRS

    def weight(self, terms: tuple[int, ...], *, motions: bool) -> float:
        """Return the weight of a mixture of these terms, the quickest first."""
        if motions:
            apart = pairwise(terms)
            return math.prod(self.pairs[_PAIR_OF[pair]] for pair in apart)
        found = math.prod(self.rungs[term] for term in terms[1:])
        return found * (self.phase_rung if len(terms) > 1 and terms[0] == 0 else 1.0)


# definition: pairs of terms in the order of `_PAIRS`
_PAIR_OF: Final = {pair: at for at, pair in enumerate(combinations(range(4), 2))}
_LADDER: Final = Ladder()


@dataclass(frozen=True, slots=True)
class SlowMotions:
    """Contrasts of the phase of runs, shape (runs, contrasts), and of which blocks.

    `gaps` is how often the phase was carried across missing readings, in each run.
    """

    values: Array
    blocks: int
    block_length: int
    gaps: int = 0


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
    motions : SlowMotions | None
        The runs' slowest motions; None where the phase was lost.

    """

    m: Array
    avar: Array
    freedom: Array
    slope2: Array
    length: float
    motions: SlowMotions | None = None


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
    most_freedom: float = _MOST_FREEDOM,
) -> ExpectedMean:
    """Weigh all mixtures and return what they say together of u at tau = T.

    `gains`, shape (4,), are for another figure than the Allan deviation at T: its
    variance for each term over the Allan variance of that term at T.
    """
    has_motions = evidence.motions is not None
    rungs = _rungs(evidence.length, ladder)
    shares, log_weight = _ladder(rungs, ladder, motions=has_motions)
    m, avar, freedom = evidence.m, evidence.avar, evidence.freedom
    if evidence.motions is not None:
        shares = _with_gaps(shares, _rounded(evidence.motions.gaps))
        kept = m <= max(1.0, evidence.length / _OCTAVES_TO)
        m, avar, freedom = m[kept], avar[:, kept], freedom[:, kept]
    model = shares @ (m / evidence.length) ** POWERS[:, None]
    freedom = share_of_freedom * freedom
    if has_motions:
        freedom = np.minimum(freedom, most_freedom)
    if evidence.motions is None:
        model = np.column_stack([model, shares @ SLOPE])
        avar = np.column_stack([avar, evidence.slope2])
        freedom = np.column_stack([freedom, np.full(len(avar), slope_freedom)])
    misfit = (freedom * avar) @ (1.0 / model).T
    total, log_scale = freedom.sum(axis=1), freedom @ np.log(model).T
    if evidence.motions is not None:
        inverse, log_det = _precision(rungs, ladder, evidence.motions)
        values = evidence.motions.values
        products = (values[:, :, None] * values[:, None, :]).reshape(len(values), -1)
        misfit = misfit + products @ inverse.T
        total, log_scale = total + values.shape[1], log_scale + log_det
    log_likelihood = -0.5 * (log_scale + total[:, None] * _log(misfit))
    log_posterior = log_weight + log_likelihood
    log_posterior -= log_posterior.max(axis=1, keepdims=True)
    weight = np.exp(log_posterior)
    weight /= weight.sum(axis=1, keepdims=True)
    level = misfit / total[:, None]
    log_u = 0.5 * _log((shares @ gains) * level)
    u, found = as_student(weight, log_u, total)
    widened = u if has_motions else u * widening(evidence.length)
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


def _rungs(length: float, ladder: Ladder) -> tuple[int, ...]:
    step, low, top = ladder.step, ladder.low, ladder.top
    return tuple(
        math.ceil(math.log(top * length**apart / low) / math.log(step)) + 1
        for apart in (1, 2, 3)
    )


@lru_cache(maxsize=64)
def _ladder(
    rungs: tuple[int, ...], ladder: Ladder, *, motions: bool
) -> tuple[Array, Array]:
    """Return shares of the four terms at T, shape (shapes, 4), and log weights."""
    shares: list[list[float]] = []
    weights: list[float] = []
    for size in (1, 2, 3):
        for terms in combinations(range(4), size):
            gaps = [b - a for a, b in pairwise(terms)]
            weight = ladder.weight(terms, motions=motions)
            for steps in product(*(range(rungs[gap - 1]) for gap in gaps)):
                row, value = [0.0] * 4, 1.0
                row[terms[0]] = 1.0
                for term, step in zip(terms[1:], steps, strict=True):
                    value *= ladder.low * ladder.step**step
                    row[term] = value
                shares.append(row)
                weights.append(weight)
    return np.array(shares), np.log(np.array(weights))


def _precision(
    rungs: tuple[int, ...], ladder: Ladder, motions: SlowMotions
) -> tuple[Array, Array]:
    gaps = _rounded(motions.gaps)
    return _precision_of(rungs, ladder, motions.blocks, motions.block_length, gaps)


def _rounded(gaps: int) -> float:
    """Round a number of gaps to a quarter of an octave: fewer kinds to keep ready."""
    return 2.0 ** (round(4.0 * math.log2(gaps)) / 4.0) if gaps else 0.0


def _with_gaps(shares: Array, gaps: float) -> Array:
    """Add what white PM leaves at gaps, two ends of variance d T^2/3 each, as white FM.

    d is the Allan variance of white PM at T, 3 s^2/T^2 with phases of variance s^2; a
    walk of 2 s^2 at each gap is white FM of variance 2 s^2 gaps/T^2 at T.
    """
    if not gaps:
        return shares
    found = shares.copy()
    found[:, 1] += shares[:, 0] * 2.0 * gaps / 3.0
    return found


@lru_cache(maxsize=64)
def _precision_of(
    rungs: tuple[int, ...],
    ladder: Ladder,
    blocks: int,
    block_length: int,
    gaps: float,
) -> tuple[Array, Array]:
    """Return each mixture's inverse covariance, flat, and its log determinant."""
    shares, _ = _ladder(rungs, ladder, motions=True)
    shares = _with_gaps(shares, gaps)
    mixed = np.tensordot(shares, covariances(blocks, block_length), axes=1)
    log_det = np.linalg.slogdet(mixed).logabsdet
    inverse = np.linalg.inv(mixed).reshape(len(shares), -1)
    return np.asarray(inverse), np.asarray(log_det)


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
