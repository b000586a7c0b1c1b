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

from benchlog.analysis.nearest_student import as_student
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
# A random walk of 12 and 48 times white PM at T hides under it and moves the next mean
# most. It counts this many times more: tests/finders/hidden_walks.py. From 192 times on
# it shows; weighed more as well, it made white FM wider, which looks like that.
_HIDDEN: Final = 2.5
_HIDES: Final = (1, 2)  # definition: rungs of 12 and 48, by `_LOW` and `_STEP`
# The longer a run, the likelier that a random walk has come up beside quicker noise:
# its mixtures count once at `_SHORT` readings and `_WALKS` times from `_LONG` on.
# tests/finders/pair_weights.py, the same criterion; the bounds are our rule.
_WALKS: Final = 2.0
_SHORT: Final = 30.0  # our rule
_LONG: Final = 100.0  # our rule
_OCTAVES_TO: Final = 16.0  # our rule: what is slower than T/16, the motions tell better
# Freedom of octaves and slope: tests/finders/freedom_shares.py, the same criterion.
_SHARE_OF_FREEDOM: Final = 0.6  # octaves overlap: together they know less than summed
_SLOPE_FREEDOM: Final = 0.7
# Most freedom of one octave beside the slowest motions. Octaves at short times know
# their variances better than a ladder in steps of four can follow; taken at their full
# freedom they choose whatever shape bends to them, and the motions are not heard.
# tests/finders/octave_freedom.py, the criterion of pair_weights.py.
_MOST_FREEDOM: Final = 20.0
# Most freedom of all of them: a long run has more octaves, its motions stay eight. At
# 1,000 readings six octaves at 20 each told that there is no random walk.
# tests/finders/hidden_walks.py, its criterion.
_MOST_TOGETHER: Final = 50.0
# Where only octaves are known, u is widened by 1 + NUMERATOR / (n + ADDED), for short
# runs most. Swept against the miss of 95 % over noises and lengths by
# tests/finders/widening.py (see RESULTS.md).
WIDENING_NUMERATOR: Final = 2.5
WIDENING_ADDED: Final = 15.0


class Ladder(NamedTuple):
    """Which ratios of the terms are weighed, and the weight of each rung."""

    step: float = _STEP
    low: float = _LOW
    top: float = _TOP
    rungs: tuple[float, float, float, float] = _RUNGS
    phase_rung: float = _PHASE_RUNG
    pairs: tuple[float, ...] = _PAIRS
    walks: float = _WALKS
    hidden: float = _HIDDEN
    hidden_from_octaves: float = 1.0

    def weight(
        self, terms: tuple[int, ...], *, motions: bool, walks: float = 1.0
    ) -> float:
        """Return the weight of a mixture of these terms, the quickest first.

        `walks` is a further weight of a random walk beside quicker noise, where the
        slowest motions are known.
        """
        if motions:
            hides = len(terms) > 1 and terms[-1] == _WALK and terms != _COUNTERS
            apart = math.prod(self.pairs[_PAIR_OF[pair]] for pair in pairwise(terms))
            return apart * walks if hides else apart
        found = math.prod(self.rungs[term] for term in terms[1:])
        return found * (self.phase_rung if len(terms) > 1 and terms[0] == 0 else 1.0)


_WALK: Final = 3  # definition: random-walk FM among the terms
_COUNTERS: Final = (0, 3)  # definition: a counter's white PM over a random walk
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
    mixture within its 95 % and 99.97 % bounds. `terms`, shape (runs, 4), are those of
    the single likeliest mixture.
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
    most_together: float = _MOST_TOGETHER,
) -> ExpectedMean:
    """Weigh all mixtures and return what they say together of u at tau = T.

    `gains`, shape (4,), are for another figure than the Allan deviation at T: its
    variance for each term over the Allan variance of that term at T.
    """
    motions = evidence.motions
    freedom, avar = evidence.freedom, evidence.avar
    kept = slice(None)
    if motions is not None:
        kept = slice(int(np.count_nonzero(evidence.m <= _quick(evidence.length))))
        freedom, avar = freedom[:, kept], avar[:, kept]
    models = _models(
        tuple(evidence.m[kept].tolist()), evidence.length, ladder, _kind_of(motions)
    )
    freedom = share_of_freedom * freedom
    if motions is None:
        avar = np.column_stack([avar, evidence.slope2])
        freedom = np.column_stack([freedom, np.full(len(avar), slope_freedom)])
    else:
        freedom = np.minimum(freedom, most_freedom)
        together = freedom.sum(axis=1, keepdims=True)
        freedom *= most_together / np.maximum(together, most_together)
    misfit = (freedom * avar) @ models.inverse
    total, log_scale = freedom.sum(axis=1), freedom @ models.log
    if motions is not None:
        values = motions.values
        products = (values[:, :, None] * values[:, None, :]).reshape(len(values), -1)
        misfit = misfit + products @ models.precision.T
        total, log_scale = total + values.shape[1], log_scale + models.log_det
    log_misfit = np.log(np.maximum(misfit, np.finfo(np.float64).tiny))
    log_posterior = models.log_weight - 0.5 * (log_scale + total[:, None] * log_misfit)
    log_posterior -= log_posterior.max(axis=1, keepdims=True)
    weight = np.exp(log_posterior)
    weight /= weight.sum(axis=1, keepdims=True)
    log_level = log_misfit - np.log(total)[:, None]
    log_u = 0.5 * (np.log(models.shares @ gains) + log_level)
    u, found = as_student(weight, log_u, total)
    widened = u if motions is not None else u * widening(evidence.length)
    likeliest = log_posterior.argmax(axis=1)
    level = misfit[np.arange(len(avar)), likeliest] / total
    terms = models.shares[likeliest] * level[:, None]
    return ExpectedMean(widened, found, terms)


def widening(
    length: float,
    numerator: float = WIDENING_NUMERATOR,
    added: float = WIDENING_ADDED,
) -> float:
    """Return the factor on u for a run of `length` tau0, more than one for a few."""
    return 1.0 + numerator / (length + added)


def _quick(length: float) -> float:
    """Return the averaging factors up to which octaves count beside the motions."""
    return max(1.0, length / _OCTAVES_TO)


class _Kind(NamedTuple):
    """What of the slowest motions of runs the covariance of a mixture depends on."""

    blocks: int
    block_length: int
    gaps: float


class _Models(NamedTuple):
    """What mixtures expect, all but the level; columns are the shapes.

    `inverse` and `log` are of their Allan variances at the octaves, `precision` and
    `log_det` of the covariance of the slowest motions.
    """

    shares: Array
    log_weight: Array
    inverse: Array
    log: Array
    precision: Array
    log_det: Array


def _kind_of(motions: SlowMotions | None) -> _Kind | None:
    if motions is None:
        return None
    return _Kind(motions.blocks, motions.block_length, _rounded(motions.gaps))


@lru_cache(maxsize=8)
def _models(
    m: tuple[float, ...], length: float, ladder: Ladder, kind: _Kind | None
) -> _Models:
    """Return what each mixture expects of runs of one length: a judge asks twice."""
    rungs = _rungs(length, ladder)
    walks = _walks(length, ladder)
    shares, log_weight = _ladder(rungs, ladder, motions=kind is not None, walks=walks)
    if kind is not None:
        shares = _with_gaps(shares, kind.gaps)
    model = shares @ (np.array(m) / length) ** POWERS[:, None]
    if kind is None:
        model = np.column_stack([model, shares @ SLOPE])
        precision = log_det = np.zeros(0)
    else:
        precision, log_det = _precision_of(rungs, ladder, kind)
    columns = np.ascontiguousarray(model.T)
    return _Models(
        shares, log_weight, 1.0 / columns, np.log(columns), precision, log_det
    )


def _rungs(length: float, ladder: Ladder) -> tuple[int, ...]:
    step, low, top = ladder.step, ladder.low, ladder.top
    return tuple(
        math.ceil(math.log(top * length**apart / low) / math.log(step)) + 1
        for apart in (1, 2, 3)
    )


def _walks(length: float, ladder: Ladder) -> float:
    """Return the weight of random walks by the length of a run, from 1 on.

    In steps of a quarter of an octave: fewer ladders to keep ready.
    """
    share = math.log(length / _SHORT) / math.log(_LONG / _SHORT)
    octaves = min(max(share, 0.0), 1.0) * math.log2(ladder.walks)
    return float(2.0 ** (round(4.0 * octaves) / 4.0))


@lru_cache(maxsize=64)
def _ladder(
    rungs: tuple[int, ...], ladder: Ladder, *, motions: bool, walks: float = 1.0
) -> tuple[Array, Array]:
    """Return shares of the four terms at T, shape (shapes, 4), and log weights."""
    shares: list[list[float]] = []
    weights: list[float] = []
    hidden = ladder.hidden if motions else ladder.hidden_from_octaves
    for size in (1, 2, 3):
        for terms in combinations(range(4), size):
            gaps = [b - a for a, b in pairwise(terms)]
            weight = ladder.weight(terms, motions=motions, walks=walks)
            for steps in product(*(range(rungs[gap - 1]) for gap in gaps)):
                row, value = [0.0] * 4, 1.0
                row[terms[0]] = 1.0
                for term, step in zip(terms[1:], steps, strict=True):
                    value *= ladder.low * ladder.step**step
                    row[term] = value
                hides = terms == _COUNTERS and steps[0] in _HIDES
                shares.append(row)
                weights.append(weight * (hidden if hides else 1.0))
    return np.array(shares), np.log(np.array(weights))


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


@lru_cache(maxsize=8)  # as many as models; each takes 0.2 to 0.6 MB
def _precision_of(
    rungs: tuple[int, ...], ladder: Ladder, kind: _Kind
) -> tuple[Array, Array]:
    """Return each mixture's inverse covariance, flat, and its log determinant."""
    shares, _ = _ladder(rungs, ladder, motions=True)
    shares = _with_gaps(shares, kind.gaps)
    mixed = np.tensordot(shares, covariances(kind.blocks, kind.block_length), axes=1)
    log_det = np.linalg.slogdet(mixed).logabsdet
    inverse = np.linalg.inv(mixed).reshape(len(shares), -1)
    return np.asarray(inverse), np.asarray(log_det)
