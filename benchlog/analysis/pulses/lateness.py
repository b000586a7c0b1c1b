"""Stamps that come late: told by the run itself, and taken out by its earliest stamps.

A host stamps a pulse when it gets to it: never before, often a little later and
sometimes much later. Where the load grows, the mean stamp comes later and later, and a
line through all stamps takes that for a slow device. The earliest stamp of a short
window hardly comes later, and how much it does is told by the next one: for a smooth
edge

    x1 - (x2 - x1)

of the earliest two has no bias in first order (source: Robson and Whitlock, Estimation
of a truncation point, 1964), and for exponential delays none at all. On two-sided noise
this is worse than the mean, so it is for runs that show one-sided stamps.

Delays here are time errors with the opposite sign: a late stamp has a low time error.
"""

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import chi_squared_above, student_quantile
from benchlog.analysis.pulses.slope import (
    SlopeFit,
    fit_slope,
    not_too_early,
    straight_slope,
)

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

# WINDOW: tests/finders/late_stamps.py. Criterion: most of the intervals hold under
# loads that grow or change, then narrowest.
WINDOW: Final = 5
"""Stamps in a window."""
WIDE: Final = 10  # our rule: a scatter reaches to both sides of the middle of so many
"""Stamps in a window that shows on which side they reach further."""
_CALLED_FALSELY: Final = 0.02  # our rule: of runs whose stamps are two-sided
_FEWEST_WIDE: Final = 5  # our rule: so many windows show a scatter
FEWEST_WINDOWS: Final = 10  # our rule: fewer show no line of their own
_TOLD: Final = 3  # our rule: an earliest, a next and one to be late
_LATE: Final = 4.0  # our rule: usual distances behind the earliest stamp
_QUARTERS: Final = 4  # our rule: parts of a run that are compared
_LEFT: Final = 1.0 / 3.0  # our rule: of the correction, as standard uncertainty
_FALSE_ALARM: Final = 0.001  # our rule: of runs whose share of late stamps is steady


class Windows(NamedTuple):
    """Stamps in windows of time, one row each, the earliest first, NaN after the last.

    `t_s` is the middle of each window, `error_s` has shape (windows, most stamps).
    """

    t_s: Array
    error_s: Array
    group: Whole
    number: Whole

    @property
    def edge_s(self) -> Array:
        """Time error of a stamp that is not late, for each window."""
        return np.asarray(self.error_s[:, 0] + self.gap_s)

    @property
    def gap_s(self) -> Array:
        """From the second stamp to the earliest: how much late that is taken to be."""
        return np.asarray(self.error_s[:, 0] - self.error_s[:, 1])


class LateShares(NamedTuple):
    """Share of late stamps in each quarter of a run, and whether that is chance."""

    shares: tuple[float, ...]
    changed: bool


@dataclass(frozen=True, slots=True)
class Stamps:
    """Stamps of one train about a line: times, time errors, blocks; and their spacing.

    All in s; those far too early for the others are left out.
    """

    t_s: Array
    residual_s: Array
    group: Whole
    spacing_s: float

    @classmethod
    def about(
        cls, t_s: Array, residual_s: Array, group: Whole, spacing_s: float
    ) -> "Stamps":
        """Return all stamps but those too early to be of this train."""
        kept = not_too_early(residual_s)
        return cls(t_s[kept], residual_s[kept], group[kept], spacing_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class EarliestLine:
    """A line through what the earliest stamps of windows tell.

    `fit.slope` is what the residuals still rise by; `t_s`, `error_s` and `group` are
    the points, `error_s` without the line that was taken out before. `shares` tells of
    late stamps, of the source and of the reference, None where too few are late.
    """

    fit: SlopeFit
    t_s: Array
    error_s: Array
    group: Whole
    spacing_s: float
    shares: tuple[LateShares | None, LateShares | None]


def earliest_line(
    source: Stamps, reference: Stamps | None = None, window: int = WINDOW
) -> EarliestLine | None:
    """Return the line through the earliest stamps; None where none is called for.

    It is, when the stamps of one of the trains are one-sided, and when there are enough
    windows for a line of their own. Of two trains the windows are the same.
    """
    trains = [source] if reference is None else [source, reference]
    sided = [one_sided(one) for one in trains]
    if not any(sided):
        return None
    length_s = window * max(one.spacing_s for one in trains)
    ours = windows(source, length_s)
    t_s, error_s, group, gap_s = ours.t_s, ours.edge_s, ours.group, ours.gap_s
    found = [ours]
    if reference is not None:
        theirs = windows(reference, length_s)
        found.append(theirs)
        _, a, b = np.intersect1d(ours.number, theirs.number, return_indices=True)
        t_s, error_s = t_s[a], error_s[a] - theirs.edge_s[b]
        gap_s = gap_s[a] - theirs.gap_s[b]
        both = np.stack([group[a], theirs.group[b]], axis=1)
        group = np.unique(both, axis=0, return_inverse=True)[1].reshape(-1)
    if len(t_s) < FEWEST_WINDOWS:
        return None
    shares = [late_shares(w) if s else None for w, s in zip(found, sided, strict=True)]
    return EarliestLine(
        fit=_with_what_is_left(fit_slope(t_s, error_s, group), t_s, gap_s, group),
        t_s=t_s,
        error_s=error_s,
        group=group,
        spacing_s=length_s,
        shares=(shares[0], shares[1] if len(shares) > 1 else None),
    )


def _with_what_is_left(
    fit: SlopeFit, t_s: Array, gap_s: Array, group: Whole
) -> SlopeFit:
    """Add to u a share of what the slope was corrected by: no edge is quite smooth."""
    left = _LEFT * straight_slope(t_s, gap_s, group, fit.used)
    u = float(np.hypot(fit.u, left))
    return replace(fit, u=u, white=fit.white * (fit.u / u) ** 2 if u else 1.0)


def windows(stamps: Stamps, length_s: float) -> Windows:
    """Return stamps by windows of `length_s` that hold at least three of a group."""
    residual_s, group = stamps.residual_s, stamps.group
    number = np.floor(stamps.t_s / length_s).astype(np.int64)
    order = np.lexsort((-residual_s, number, group))
    number, residual_s, group = number[order], residual_s[order], group[order]
    new = np.ones(len(order), np.bool_)
    new[1:] = (np.diff(number) != 0) | (np.diff(group) != 0)
    starts = np.flatnonzero(new)
    count = np.diff(np.append(starts, len(order)))
    row = np.repeat(np.arange(len(starts)), count)
    table = np.full((len(starts), max(2, int(count.max(initial=0)))), np.nan)
    table[row, np.arange(len(order)) - starts[row]] = residual_s
    told = count >= _TOLD
    at = number[starts][told]
    middle_s = np.asarray((at + 0.5) * length_s, dtype=np.float64)
    return Windows(middle_s, table[told], group[starts][told], at)


def one_sided(stamps: Stamps) -> bool:
    """Whether stamps reach later than earlier, as seen from the middle of each window.

    Noise of any colour that is alike on both sides is called one-sided in 1 run of 50.
    """
    found = windows(stamps, WIDE * stamps.spacing_s)
    if len(found.t_s) < _FEWEST_WIDE:
        return False
    middle = np.nanmedian(found.error_s, axis=1)
    early = found.error_s[:, 0] - middle
    late = middle - np.nanmin(found.error_s, axis=1)
    reach = late + early
    lean = (late - early)[reach > 0] / reach[reach > 0]
    n = len(lean)
    if n < _FEWEST_WIDE:
        return False
    bar = student_quantile(n - 1, 1.0 - _CALLED_FALSELY) * lean.std(ddof=1)
    return bool(lean.mean() * np.sqrt(n) > bar)


def late_shares(found: Windows) -> LateShares | None:
    """Return the share of late stamps by quarters; None where too few are late.

    A stamp is late when it lies behind the earliest of its window by more than four
    times the usual distance of the middle one. The share changes when a chi-squared
    test of the quarters finds less than 1 in 1,000.
    """
    behind = found.error_s[:, :1] - found.error_s
    usual = float(np.median(np.nanmedian(behind, axis=1)))
    quarter = np.minimum(
        _QUARTERS - 1, _QUARTERS * np.arange(len(behind)) // max(1, len(behind))
    )
    late = np.bincount(quarter, np.sum(behind > _LATE * usual, axis=1), _QUARTERS)
    seen = np.bincount(quarter, np.sum(np.isfinite(behind), axis=1), _QUARTERS)
    share = late.sum() / max(1.0, seen.sum())
    # common practice: the test needs five expected in every cell
    if usual <= 0 or share >= 1 or np.min(seen) * min(share, 1 - share) < 5:
        return None
    misfit = np.sum((late - share * seen) ** 2 / (seen * share * (1 - share)))
    chance = chi_squared_above(_QUARTERS - 1, float(misfit))
    return LateShares(tuple((late / seen).tolist()), chance < _FALSE_ALARM)
