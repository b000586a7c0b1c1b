"""Whether and when a deviation changed: stretches of windows against the others.

Each stretch of windows is held against all others by the ratio of the variances, which
has an F distribution where nothing changed. The chance that any of all stretches and
averaging times shows as large a ratio is bounded by the sum of their chances.
"""

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_FALSE_ALARM: Final = 0.05  # our rule: of a run that did not change
_MOST: Final = 3  # our rule: so many changes are told


@dataclass(frozen=True, slots=True, kw_only=True)
class StabilityChange:
    """A stretch in which a deviation was another than in the rest.

    Parameters
    ----------
    begin_s, end_s : float
        The stretch, from the first reading on; to the nearest window.
    lasting : bool
        It lasts to the end of the run: the deviation rose or fell at `begin_s`.
    tau_s : float
        The averaging time where it shows most.
    tau_from_s, tau_to_s : float
        The shortest and longest where it shows.
    before, within : float
        The deviation outside the stretch and in it, at `tau_s`.
    ratio, low, high : float
        Within over outside, and its 95 % interval.
    chance : float
        How probable such a change is where there is none, at most.

    """

    begin_s: float
    end_s: float
    lasting: bool
    tau_s: float
    tau_from_s: float
    tau_to_s: float
    before: float
    within: float
    ratio: float
    low: float
    high: float
    chance: float


def changes_of(
    variances: Array, freedoms: Array, tau_s: Array, edges_s: Array
) -> tuple[StabilityChange, ...]:
    """Return what changed more than chance would have it, the clearest first.

    Parameters
    ----------
    variances, freedoms : array, shape (K, B)
        In windows that do not overlap, at each averaging time; NaN where unknown.
    tau_s : array, shape (K,)
    edges_s : array, shape (B + 1,)
        Where the windows begin and the last one ends.

    """
    found: list[StabilityChange] = []
    open_windows = np.ones(variances.shape[1], dtype=np.bool_)
    while len(found) < _MOST:
        one, inside = _clearest(variances, freedoms, tau_s, edges_s, open_windows)
        if one is None:
            break
        found.append(one)
        open_windows &= ~inside
    return tuple(found)


def _clearest(
    variances: Array,
    freedoms: Array,
    tau_s: Array,
    edges_s: Array,
    open_windows: NDArray[np.bool_],
) -> tuple[StabilityChange | None, NDArray[np.bool_]]:
    """Return the likeliest change among the windows left, and its windows."""
    count = len(open_windows)
    stretches = [
        (a, b)
        for a, b in combinations(range(count + 1), 2)
        if 0 < open_windows[a:b].sum() == b - a < open_windows.sum()
    ]
    known = open_windows & ~np.isnan(variances)
    weights = np.where(known, freedoms, 0.0)
    power = np.where(known, variances, 0.0) * weights
    none = np.zeros(count, dtype=np.bool_)
    if not stretches:
        return None, none
    inside = np.array([power[:, a:b].sum(axis=1) for a, b in stretches])
    edf = np.array([weights[:, a:b].sum(axis=1) for a, b in stretches])
    rest, rest_edf = power.sum(axis=1) - inside, weights.sum(axis=1) - edf
    likelihoods = _likelihood(inside, edf, rest, rest_edf)
    chances = _chance(inside, edf, rest, rest_edf)
    best = int(np.argmax(likelihoods.max(axis=1)))
    a, b = stretches[best]
    k, trials = int(np.argmax(likelihoods[best])), len(stretches) * len(tau_s)
    chance = float(chances[best, k]) * trials
    if chance >= _FALSE_ALARM:
        return None, none
    shown = np.flatnonzero(chances[best] * trials < _FALSE_ALARM)
    if a == 0 and open_windows.all():  # what comes after it is what is new
        a, b = b, count
    none[a:b] = True
    sums = [
        (float(power[k, chosen].sum()), float(weights[k, chosen].sum()))
        for chosen in (none, open_windows & ~none)
    ]
    return _told(sums, chance, (a, b), tau_s[[k, *shown]], edges_s), none


def _likelihood(inside: Array, edf: Array, rest: Array, rest_edf: Array) -> Array:
    """Return how much likelier two variances are than one: the log of the ratio.

    It ranks stretches whose chances are all too small for a number.
    """
    usable = (edf > 0) & (rest_edf > 0) & (inside > 0) & (rest > 0)
    parts = []
    for power, df in ((inside, edf), (rest, rest_edf), (inside + rest, edf + rest_edf)):
        mean = np.divide(power, df, out=np.ones_like(df), where=usable)
        parts.append(df * np.log(mean))
    one, other, both = parts
    return np.where(usable, (both - one - other) / 2.0, -np.inf)


def _chance(inside: Array, edf: Array, rest: Array, rest_edf: Array) -> Array:
    """Return the two-sided chance of the ratio at each averaging time; 1 unknown."""
    usable = (edf > 0) & (rest_edf > 0) & (inside > 0) & (rest > 0)
    ones = np.ones_like(edf)
    df, rest_df = np.where(usable, edf, 1.0), np.where(usable, rest_edf, 1.0)
    ratio = np.divide(inside / df, rest / rest_df, out=ones.copy(), where=usable)
    from scipy.special import fdtr, fdtrc  # noqa: PLC0415 - half a command's start

    tail = np.minimum(fdtrc(df, rest_df, ratio), fdtr(df, rest_df, ratio))
    return np.where(usable, np.minimum(2.0 * tail, 1.0), 1.0)


def _told(
    sums: list[tuple[float, float]],
    chance: float,
    stretch: tuple[int, int],
    taus_s: Array,
    edges_s: Array,
) -> StabilityChange:
    (inside, edf), (rest, rest_edf) = sums
    within, before = inside / edf, rest / rest_edf
    from scipy.special import fdtri  # noqa: PLC0415 - as above

    low, high = (
        float(fdtri(rest_edf, edf, tail)) * within / before for tail in (0.025, 0.975)
    )
    a, b = stretch
    return StabilityChange(
        begin_s=float(edges_s[a]),
        end_s=float(edges_s[b]),
        lasting=b == len(edges_s) - 1,
        tau_s=float(taus_s[0]),
        tau_from_s=float(taus_s.min()),
        tau_to_s=float(taus_s.max()),
        before=math.sqrt(before),
        within=math.sqrt(within),
        ratio=math.sqrt(within / before),
        low=math.sqrt(low),
        high=math.sqrt(high),
        chance=min(1.0, chance),
    )
