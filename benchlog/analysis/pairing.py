"""Two runs at the same time: their readings in pairs, and how the differences scatter.

What both devices share while they are measured (the room, the counters' common time
base) is in both readings of a pair and falls out of their difference.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import student_quantile
from benchlog.analysis.running import Running
from benchlog.analysis.stats import RunStats
from benchlog.model import Columns, Flag
from benchlog.units import NS_PER_S

Array = NDArray[np.float64]
FEWEST: Final = 10  # our rule: fewer show no scatter of differences
"""Pairs below which runs count as taken apart."""
_LEAST_SHARE: Final = 0.5  # our rule: half of the readings have a partner
_GAP: Final = 1.5  # our rule: beyond 1.5 usual spacings a pair is missing
_NOMINAL_HZ: Final = 1e6  # our rule: any would do, the figures are relative


@dataclass(frozen=True, slots=True)
class Pairs:
    """Readings of A and B at the same time: time s, offsets ppm; arrays of one length.

    `share` is how much of the shorter run is in pairs.
    """

    t_s: Array
    a_ppm: Array
    b_ppm: Array
    share: float


@dataclass(frozen=True, slots=True)
class Ratio:
    """Allan deviation of B at the gate over that of A, with its 95 % interval."""

    value: float
    low: float
    high: float
    paired: bool


def pairs_of(
    a: tuple[NDArray[np.int64], Array],
    b: tuple[NDArray[np.int64], Array],
    tolerance_s: float,
) -> Pairs | None:
    """Pair readings whose times lie within `tolerance_s`; None when they are too few.

    `a` and `b` are UTC in ns, rising, and offset in ppm, each of shape (n,). Each
    reading is in one pair at most.
    """
    (ta, ya), (tb, yb) = a, b
    if len(ta) < FEWEST or len(tb) < FEWEST:
        return None
    at, close = _nearest(ta, tb, tolerance_s)
    chosen = np.flatnonzero(close)
    chosen = chosen[np.diff(at[chosen], prepend=-1) != 0]
    share = len(chosen) / min(len(ta), len(tb))
    if len(chosen) < FEWEST or share < _LEAST_SHARE:
        return None
    t_s = (ta[chosen] - ta[0]) / NS_PER_S
    return Pairs(t_s, ya[chosen], yb[at[chosen]], share)


def difference_stats(pairs: Pairs) -> RunStats:
    """Return the figures of B - A as those of a run; gaps where pairs are missing."""
    steps = np.diff(pairs.t_s)
    usual = float(np.median(steps)) if len(steps) else 1.0
    gap = np.concatenate(([False], steps > _GAP * usual))
    n = len(pairs.t_s)
    hertz = _NOMINAL_HZ * (1.0 + (pairs.b_ppm - pairs.a_ppm) * 1e-6)
    running = Running(_NOMINAL_HZ)
    running.feed(
        Columns(
            id=np.arange(n),
            segment=np.zeros(n, dtype=np.int64),
            utc_ns=np.full(n, -1),
            mono_ns=np.round(pairs.t_s * NS_PER_S).astype(np.int64),
            gate_s=np.full(n, usual),
            frequency_hz=hertz,
            ambient_c=np.full(n, np.nan),
            flags=np.where(gap, int(Flag.GAP_BEFORE), 0),
        )
    )
    return running.stats()


def ratio_apart(
    a_rms: float, a_freedom: float, b_rms: float, b_freedom: float
) -> Ratio:
    """Return the ratio of two deviations found independently, by F quantiles.

    The degrees of freedom are those of the noise, whole or not.
    """
    from scipy.special import fdtri  # noqa: PLC0415 - half the start of a command

    value = b_rms / a_rms
    high_f = float(fdtri(b_freedom, a_freedom, 0.975))
    low_f = float(fdtri(b_freedom, a_freedom, 0.025))
    return Ratio(value, value / math.sqrt(high_f), value / math.sqrt(low_f), False)


def ratio_paired(pairs: Pairs, per_pair: float) -> Ratio | None:
    """Return the ratio of Allan deviations of paired readings; None where one is still.

    From differences of readings that follow each other; `per_pair` is how many degrees
    of freedom each has, 1 for independent ones. E. J. G. Pitman, Biometrika 31 (1939)
    9, and W. A. Morgan, ibid. 13: with r the correlation of the pairs and t the
    quantile for n - 2 degrees of freedom, K = 1 + 2 (1 - r^2) t^2 / (n - 2); the ratio
    of the variances lies between w (K - sqrt(K^2 - 1)) and w (K + sqrt(K^2 - 1)). Of
    correlated differences n is their number times `per_pair`: a correlation of two such
    series scatters by as much more as a variance does (M. S. Bartlett, J. R. Stat. Soc.
    98 (1935) 536, from memory).
    """
    steps = np.diff(pairs.t_s)
    follow = steps <= _GAP * float(np.median(steps))
    a, b = (np.diff(y)[follow] for y in (pairs.a_ppm, pairs.b_ppm))
    freedom = len(a) * per_pair - 2.0
    var_a, var_b = float(a @ a), float(b @ b)
    if freedom < 1 or var_a <= 0 or var_b <= 0:
        return None
    r2 = min(1.0, float(a @ b) ** 2 / (var_a * var_b))
    t = student_quantile(freedom, 0.975)
    k = 1.0 + 2.0 * (1.0 - r2) * t * t / freedom
    root = math.sqrt(k * k - 1.0)
    w = var_b / var_a
    low, high = (math.sqrt(w * (k + side * root)) for side in (-1.0, 1.0))
    return Ratio(math.sqrt(w), low, high, True)


# --- more than two runs: readings of all at the same moments, on one grid


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Readings of several runs at the same moments, on an equally spaced grid.

    Parameters
    ----------
    values : array, shape (n, N)
        Fractional offsets of N runs; a row is NaN where any of them has none.
    tau0_s : float
        Spacing of the grid.
    moments : int
        Rows that hold readings.
    share : float
        How much of the shortest run they are.
    skew_s : float
        How far the stamps of one moment lie apart: the median over moments of the
        largest less the smallest.

    """

    values: Array
    tau0_s: float
    moments: int
    share: float
    skew_s: float


def together(
    runs: Sequence[tuple[NDArray[np.int64], Array]], tolerance_s: float
) -> Together | None:
    """Put readings of several runs that were made at the same moments on one grid.

    Parameters
    ----------
    runs : sequence of (array, array)
        UTC in ns, rising, and offset in ppm, each of shape (n,).
    tolerance_s : float
        How far a reading may lie from that of the first run.

    Returns
    -------
    Together or None
        None where less than half of the shortest run is in common. Each reading is in
        one row at most.

    """
    first_ns = runs[0][0]
    if min(len(stamps) for stamps, _ in runs) < FEWEST:
        return None
    whole = np.ones(len(first_ns), dtype=np.bool_)
    nearest = []
    for stamps, _ in runs:
        at, close = _nearest(first_ns, stamps, tolerance_s)
        whole &= close
        nearest.append(at)
    for at in nearest:  # a reading of the others that is nearest to two counts once
        chosen = np.flatnonzero(whole)
        whole[chosen[np.diff(at[chosen], prepend=-1) == 0]] = False
    chosen = np.flatnonzero(whole)
    share = len(chosen) / min(len(stamps) for stamps, _ in runs)
    if len(chosen) < FEWEST or share < _LEAST_SHARE:
        return None
    stamps_ns = np.column_stack(
        [stamps[at[chosen]] for (stamps, _), at in zip(runs, nearest, strict=True)]
    )
    place, tau0_s = _places(first_ns[chosen])
    values = np.full((int(place[-1]) + 1, len(runs)), np.nan)
    for k, ((_, ppm), at) in enumerate(zip(runs, nearest, strict=True)):
        values[place, k] = ppm[at[chosen]] * 1e-6
    skew_ns = stamps_ns.max(axis=1) - stamps_ns.min(axis=1)
    return Together(
        values=values,
        tau0_s=tau0_s,
        moments=len(chosen),
        share=share,
        skew_s=float(np.median(skew_ns)) / NS_PER_S,
    )


def _nearest(
    wanted: NDArray[np.int64], stamps: NDArray[np.int64], tolerance_s: float
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Return which stamp is nearest to each wanted one, and whether it is near."""
    right = np.clip(np.searchsorted(stamps, wanted), 1, len(stamps) - 1)
    before = np.abs(stamps[right - 1] - wanted) <= np.abs(stamps[right] - wanted)
    at = right - before
    return at, np.abs(stamps[at] - wanted) <= tolerance_s * NS_PER_S


def _places(stamps_ns: NDArray[np.int64]) -> tuple[NDArray[np.int64], float]:
    """Return places on a grid, at least one of them empty at a gap, and its spacing."""
    steps_s = np.diff(stamps_ns) / NS_PER_S
    usual = float(np.median(steps_s))
    whole = steps_s <= _GAP * usual
    tau0_s = float(steps_s[whole].mean())
    slots = np.where(whole, 1, np.maximum(2, np.rint(steps_s / tau0_s)))
    return np.concatenate(([0], np.cumsum(slots))).astype(np.int64), tau0_s
