"""Each device's own stability from differences alone: the N-cornered hat.

Where N devices are measured at the same moments, what they share (the counter's time
base, the room) is in every reading and falls out of the differences. Devices that are
independent of each other have s_ij^2 = s_i^2 + s_j^2, and three pairs give three
variances; more devices are taken by least squares over all pairs. Each variance is a
weighted mean of Groslambert covariances, of one device against two others.

Sources (from memory): J. E. Gray, D. W. Allan, "A method for estimating the frequency
stability of an individual oscillator", 28th Freq. Control Symp. (1974) 243;
J. Groslambert et al., 35th Freq. Control Symp. (1981) 458; A. Premoli, P. Tavella, IEEE
Trans. Instrum. Meas. 42 (1993) 7 (the covariance closest to independence that the
differences allow); E. Lantz et al., IEEE Trans. UFFC 66 (2019) 1942 (intervals from the
posterior of the variances).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import chi_squared_above
from benchlog.analysis.stability.deviations import Stability, StabilityRow
from benchlog.analysis.stability.nearest_covariance import nearest_covariance
from benchlog.errors import DataError
from benchlog.units import as_stated

Array = NDArray[np.float64]

FEWEST_DEVICES: Final = 3  # definition: of two, nobody can tell whose noise it is
FEWEST_EDF: Final = 2.0  # our rule: tests/analysis/hat_coverage.md holds from here on
"""Degrees of freedom below which no device's own figure is stated."""
_DRAWS: Final = 20_000  # our rule: quantiles to a hundredth of the interval
_TOLD: Final = 0.005  # our rule: a figure out of nothing in 5 % of tables of ten rows
_SEED: Final = 20_260  # our rule: any; the same data give the same interval
_FALSE_ALARM: Final = 0.05  # our rule: over all averaging times and devices of a hat
_FIRM_EDF: Final = 30.0  # our rule: from here chi-squared describes the residuals


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnDeviation:
    """One device's own deviation at one averaging time.

    Parameters
    ----------
    value : float | None
        None where it is not resolved: the differences could come of none at all.
    low, high : float
        95 % interval; not resolved, 0 and what it is below.
    variance : float
        What the differences give, which chance makes negative where the device is much
        quieter than the others.

    """

    value: float | None
    low: float
    high: float
    variance: float

    @property
    def resolved(self) -> bool:
        """Whether the figure is told from zero."""
        return self.value is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class HatRow:
    """One averaging time.

    Parameters
    ----------
    tau_s, m, n : float, int, int
        m tau0; the pairs of averages.
    edf : float
        Equivalent degrees of freedom of the differences, of the slowest noise in them.
    own : tuple of OwnDeviation
        One for each device, in their order.
    pairs : tuple of float
        Deviations of the differences, in the order of `itertools.combinations`.
    covariance : array, shape (N, N)
        Covariance of the devices: positive semidefinite, as close to independent
        devices as the differences allow.

    """

    tau_s: float
    m: int
    n: int
    edf: float
    own: tuple[OwnDeviation, ...]
    pairs: tuple[float, ...]
    covariance: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class CorneredHat:
    """The own deviations of devices measured together, against averaging time."""

    kind: str
    tau0_s: float
    devices: int
    rows: tuple[HatRow, ...]
    notes: tuple[str, ...] = ()

    @property
    def drawn_rows(self) -> tuple[HatRow, ...]:
        """The rows up to the last one that resolves a device; all, where none does."""
        known = [
            k for k, row in enumerate(self.rows) if any(o.resolved for o in row.own)
        ]
        return self.rows[: known[-1] + 1] if known else self.rows


def cornered_hat(pairs: Mapping[tuple[int, int], Stability]) -> CorneredHat:
    """Return each device's own deviation from the deviations of all differences.

    Parameters
    ----------
    pairs : mapping of (int, int) to Stability
        For each i < j of 0 ... N-1 the deviation of the difference of devices i and j:
        of one kind, over the same readings.

    Raises DataError for fewer than three devices or a pair that is missing, and where
    no averaging time has degrees of freedom enough.

    """
    count = 1 + max((j for _, j in pairs), default=0)
    order = list(combinations(range(count), 2))
    if count < FEWEST_DEVICES:
        raise DataError("three devices at least, measured together, are needed")
    if set(order) != set(pairs):
        raise DataError("the difference of every two devices is needed")
    several = [pairs[key] for key in order]
    rng = np.random.default_rng(_SEED)
    rows, doubts = [], []
    for each in zip(*(one.rows for one in several), strict=True):
        edf = _freedom(each)
        if edf is None or edf < max(FEWEST_EDF, count - 1.0):
            continue
        row, doubt = _row(count, order, each, edf, rng)
        rows.append(row)
        doubts.append((row.tau_s, doubt))
    if not rows:
        raise DataError(
            "too few readings at the same moments: no averaging time has "
            f"{as_stated(FEWEST_EDF)} degrees of freedom"
        )
    first = several[0]
    return CorneredHat(
        kind=first.kind,
        tau0_s=first.tau0_s,
        devices=count,
        rows=tuple(rows),
        notes=tuple(_notes(doubts)),
    )


def _freedom(each: Sequence[StabilityRow]) -> float | None:
    """Return the freedom of the pair with the slowest noise; None where one has none.

    A pair that does not scatter, or noises that nobody could name, have none.
    """
    known = [row.edf for row in each if row.edf is not None and row.value]
    return min(known) if len(known) == len(each) else None


def _row(
    count: int,
    order: Sequence[tuple[int, int]],
    each: Sequence[StabilityRow],
    edf: float,
    rng: np.random.Generator,
) -> tuple[HatRow, float]:
    """Return one averaging time, and how probable its residuals are by chance."""
    deviations = np.array([row.value or 0.0 for row in each])
    worth = float(deviations.max())
    squares = (deviations / worth) ** 2
    against_last = _contrasts(squares, count, order)
    nearest = nearest_covariance(against_last)
    least = squares.min() / edf
    weights = pair_weights(np.maximum(nearest.diagonal(), least), order)
    estimate = weights @ squares
    drawn_squares = _drawn(against_last, edf, count, order, rng)
    drawn = drawn_squares @ weights.T
    own = tuple(_own(float(estimate[i]), drawn[:, i], worth) for i in range(count))
    doubt = min(
        _residual_chance(squares, drawn_squares, weights, order, edf),
        float(np.min(np.mean(drawn > 0, axis=0))) * count,
    )
    row = HatRow(
        tau_s=each[0].tau_s,
        m=each[0].m,
        n=min(row.n for row in each),
        edf=edf,
        own=own,
        pairs=tuple(float(value) for value in deviations),
        covariance=nearest * worth**2,
    )
    return row, doubt


def pair_weights(variances: Array, order: Sequence[tuple[int, int]]) -> Array:
    """Return what each pair counts in each device's own variance, shape (N, pairs).

    Parameters
    ----------
    variances : array, shape (N,)
        About what each device's own is, above zero.

    Notes
    -----
    Generalised least squares of s_ij^2 = s_i^2 + s_j^2; the covariance of two pairs is
    proportional to the square of that of the two differences. Pairs of restless devices
    count for less. Three devices leave no choice: (s_12^2 + s_13^2 - s_23^2) / 2.

    """
    count = len(variances)
    apart = np.zeros((len(order), count))
    for k, (i, j) in enumerate(order):
        apart[k, i], apart[k, j] = 1.0, -1.0
    differences = (apart * variances) @ apart.T
    inverse = np.linalg.inv(differences**2)
    sums = np.abs(apart)
    return np.asarray(np.linalg.solve(sums.T @ inverse @ sums, sums.T @ inverse))


def _contrasts(squares: Array, count: int, order: Sequence[tuple[int, int]]) -> Array:
    """Return the covariance of all devices less the last, shape (N - 1, N - 1)."""
    between = np.zeros((count, count))
    for square, (i, j) in zip(squares, order, strict=True):
        between[i, j] = between[j, i] = square
    last = between[:-1, -1]
    return np.asarray((last[:, None] + last[None, :] - between[:-1, :-1]) / 2.0)


def _drawn(
    against_last: Array,
    edf: float,
    count: int,
    order: Sequence[tuple[int, int]],
    rng: np.random.Generator,
) -> Array:
    """Draw variances of all differences that could have given these.

    The covariance of the differences has an inverse Wishart distribution with
    edf + N - 2 degrees of freedom: each difference by itself then has the usual
    chi-squared interval of its deviation. Bartlett's decomposition draws it.
    """
    p = count - 1
    values, vectors = np.linalg.eigh(against_last * edf)
    root = vectors * np.sqrt(np.maximum(values, 1e-12 * values.max()))
    whole = np.zeros((p, count, _DRAWS))  # what was drawn is last: all at once, quickly
    for i in range(p):
        diagonal = np.sqrt(rng.chisquare(edf + p - 1 - i, _DRAWS))
        beside = rng.standard_normal((_DRAWS, i)).T
        # row i of what solves triangle @ whole = root.T, by the rows above it
        above = np.einsum("jd,jkd->kd", beside, whole[:i, :p])
        whole[i, :p] = (root[:, i, None] - above) / diagonal
    first, second = (list(side) for side in zip(*order, strict=True))
    apart = whole[:, first] - whole[:, second]
    return np.ascontiguousarray(np.einsum("pkd,pkd->dk", apart, apart))


def _own(variance: float, drawn: Array, worth: float) -> OwnDeviation:
    """Return one device's figure; where zero is within its interval, what it is below.

    Then only the draws that a variance could have are counted.
    """
    surely, low, high = np.quantile(drawn, (_TOLD, 0.025, 0.975))
    scaled = variance * worth**2
    if surely > 0.0 and variance > 0.0:
        return OwnDeviation(
            value=float(np.sqrt(variance)) * worth,
            low=float(np.sqrt(low)) * worth,
            high=float(np.sqrt(high)) * worth,
            variance=scaled,
        )
    possible = drawn[drawn > 0.0]
    if not len(possible):
        possible = np.abs(drawn)
    high = float(np.quantile(possible, 0.975))
    return OwnDeviation(
        value=None, low=0.0, high=float(np.sqrt(high)) * worth, variance=scaled
    )


def _residual_chance(
    squares: Array,
    drawn: Array,
    weights: Array,
    order: Sequence[tuple[int, int]],
    edf: float,
) -> float:
    """Return how probable it is that independent devices fit the pairs this badly.

    1 for three devices, which always fit.
    """
    spare = len(order) - len(weights)
    if spare == 0 or edf < _FIRM_EDF:
        return 1.0

    def residual(values: Array) -> Array:
        own = values @ weights.T
        first, second = (list(side) for side in zip(*order, strict=True))
        return np.asarray(values - own[..., first] - own[..., second])

    spread = np.cov(residual(drawn), rowvar=False)
    left = residual(squares)
    size = float(left @ np.linalg.pinv(spread, rcond=1e-9, hermitian=True) @ left)
    return chi_squared_above(spare, size)


def _notes(doubts: Sequence[tuple[float, float]]) -> list[str]:
    """Say where independent devices would not have given these differences."""
    odd = [tau_s for tau_s, chance in doubts if chance < _FALSE_ALARM / len(doubts)]
    if not odd:
        return []
    at = ", ".join(f"{as_stated(tau_s, 4)} s" for tau_s in odd)
    return [
        f"at {at} independent devices would not give these differences: some of them "
        "share what others do not (a supply, a draught, a lock), and their own figures "
        "there are not to be trusted"
    ]
