"""How a source answers to what is done to it: phases of a run and the steps between.

A run is cut where somebody marked it ("warming", "supply 3.3 V") and where a measured
supply stepped. Each phase has an offset, from its settled part; the response names the
sign, ppm per degree where ambient moved with it, ppm per volt where the supply did, and
how long the source took to settle.
"""

import math
from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from benchlog.analysis.distributions import student_quantile
from benchlog.analysis.fitting.thermometer import GAIN_PER_C, thermometer
from benchlog.analysis.separated_means import apart
from benchlog.analysis.uncertainty import uncertainty_of_even
from benchlog.errors import DataError

Array = NDArray[np.float64]

FEWEST: Final = 4  # our rule: fewer show no noise
"""Readings that a phase needs for a figure of its own."""
SETTLED_SHARE: Final = 1 / 3  # our rule: the first two thirds are for settling
"""The last part of a phase that stands for where it went."""
TOGETHER: Final = 0.95  # definition: as every U of ours
"""How often all changes of a run together lie within their U."""
WITHIN: Final = 0.05
"""Share of a change within which a source counts as settled, where its scatter allows
to see that; the usual band of a settling time (common practice, no source)."""
# STILL_MOVING, _SCATTERS: tests/finders/settling_band.py. Criterion: most phases are
# told rightly to be settled, and since when, or to move still; of the settled at most
# one in ten is called too restless to tell.
STILL_MOVING: Final = 0.05
"""Share of a change that the settled part may still move."""
# parts of a phase: the length of its running median; our rule: single readings do not
# count, and what lasts a twentieth does
_SMOOTHED: Final = 20
_AT_ONCE: Final = 1 << 17
"""Values of windows that are looked at together; our rule: 1 MB, whatever the length of
a phase is."""
_SCATTERS: Final = 4.0
_MOVED_C: Final = 0.5  # our rule: less is how thermometers differ and air moves
_MISSING: Final = 0.1  # our rule: a few stale values move no mean
STEP_V: Final = 0.05  # our rule: far above what a bench meter scatters
"""A supply that moves by more has stepped."""


@dataclass(frozen=True, slots=True)
class Cut:
    """A moment at which a phase begins, and what it is called."""

    t_s: float
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Phase:
    """A stretch of a run; figures are of its settled part, None where unknown.

    `u_ppm` is U (95 %), of the noise identified there, not s/sqrt(n). Offset, ambient
    and supply are means of the same `settled_n` readings, from `settled_from_s` on;
    ambient and supply are None where they were unknown for more than a tenth of them.
    """

    name: str
    from_s: float
    to_s: float
    n: int
    offset_ppm: float | None
    u_ppm: float | None
    ambient_c: float | None
    supply_v: float | None
    settled_from_s: float | None = None
    settled_n: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """What a phase changed against the one before; `sign` is up, down or none.

    `u_ppm` is U of the change, slow noise over the time between included: in
    95 % of runs all of them hold. `u_ppm_per_c` and `u_ppm_per_v` are those of
    the rates, that of ambient with the gain of the thermometer in it;
    without a clear change there are no rates and nothing to settle. `settle_s` is the
    time from the beginning of the phase until the source stays within `within_ppm` of
    where it went; None when it was still moving, and, with `within_ppm` None too, when
    it is too restless to see that.
    """

    name: str
    change_ppm: float
    u_ppm: float
    sign: str
    ppm_per_c: float | None
    ppm_per_v: float | None
    settle_s: float | None
    within_ppm: float | None
    u_ppm_per_c: float | None = None
    u_ppm_per_v: float | None = None


@dataclass(frozen=True, slots=True)
class Observed:
    """Readings in the order of time: s, ppm, C and V; NaN where unknown."""

    t_s: Array
    offset_ppm: Array
    ambient_c: Array
    supply_v: Array
    _: KW_ONLY
    thermometer_u_c: float | None = None


def phases(seen: Observed, cuts: Sequence[Cut]) -> tuple[Phase, ...]:
    """Cut readings into phases; the first is called `start`.

    Raises DataError when there are no readings.
    """
    if not len(seen.t_s):
        raise DataError("the run has no readings")
    inside = [cut for cut in cuts if seen.t_s[0] < cut.t_s <= seen.t_s[-1]]
    starts = [Cut(float(seen.t_s[0]), "start"), *sorted(inside, key=lambda c: c.t_s)]
    ends = [cut.t_s for cut in starts[1:]] + [math.inf]
    return tuple(_phase(seen, cut, end) for cut, end in zip(starts, ends, strict=True))


def responses(seen: Observed, found: Sequence[Phase]) -> tuple[Response, ...]:
    """Return what each phase changed against the one before it that has a figure.

    A change counts when it is larger than the noise of the run makes it over the time
    between the two settled parts, with 95 % for all changes of the run together (Z.
    Sidak, J. Am. Stat. Assoc. 62 (1967) 626, from memory). That noise is learnt from
    the first phase, in which nothing was done yet, and from the later parts of the two:
    slow noise goes on between them, and their own uncertainties know nothing of that.
    """
    known = [phase for phase in found if phase.offset_ppm is not None]
    changes = max(1, len(known) - 1)
    sure = 0.5 + 0.5 * TOGETHER ** (1.0 / changes)
    return tuple(_response(seen, known[0], a, b, sure) for a, b in pairwise(known))


def supply_cuts(t_s: Array, volts: Array) -> tuple[Cut, ...]:
    """Return where a measured supply stepped by more than 50 mV and stayed.

    Two readings on the new side are asked for, so that one bad value is no step.
    """
    found: list[Cut] = []
    level = float(volts[0]) if len(volts) else math.nan
    for at in range(1, len(volts) - 1):
        moved = abs(volts[at] - level) > STEP_V
        stays = abs(volts[at + 1] - volts[at]) <= STEP_V
        if moved and stays:
            level = float(volts[at])
            found.append(Cut(float(t_s[at]), f"supply {level:.2f} V"))
    return tuple(found)


def _phase(seen: Observed, cut: Cut, end: float) -> Phase:
    at = _within(seen, cut.t_s, end)
    n, to_s = len(at), min(end, float(seen.t_s[-1]))
    if n < FEWEST:
        return Phase(
            name=cut.name,
            from_s=cut.t_s,
            to_s=to_s,
            n=n,
            offset_ppm=None,
            u_ppm=None,
            ambient_c=None,
            supply_v=None,
        )
    tail = at[-_tail(n) :]
    ppm = seen.offset_ppm[tail]
    return Phase(
        name=cut.name,
        from_s=cut.t_s,
        to_s=to_s,
        n=n,
        offset_ppm=float(ppm.mean()),
        u_ppm=_expanded(ppm),
        ambient_c=_mean(seen.ambient_c[tail]),
        supply_v=_mean(seen.supply_v[tail]),
        settled_from_s=float(seen.t_s[tail[0]]),
        settled_n=len(tail),
    )


def _within(seen: Observed, begin: float, end: float) -> NDArray[np.int64]:
    return np.flatnonzero((seen.t_s >= begin) & (seen.t_s < end))


def _tail(n: int) -> int:
    return max(FEWEST - 1, math.ceil(n * SETTLED_SHARE))


def _expanded(ppm: Array) -> float:
    """Return U (95 %) of a mean under the noise that was found."""
    found = uncertainty_of_even(ppm)
    if found.u_ppm == 0.0:
        return 0.0
    return student_quantile(found.degrees_of_freedom, 0.975) * found.u_ppm


def _response(
    seen: Observed, first: Phase, before: Phase, after: Phase, sure: float
) -> Response:
    settled_ppm = after.offset_ppm or 0.0
    change = settled_ppm - (before.offset_ppm or 0.0)
    u = _by_noise(seen, first, before, after, sure)
    if not abs(change) > u:
        return Response(
            name=after.name,
            change_ppm=change,
            u_ppm=u,
            sign="none",
            ppm_per_c=None,
            ppm_per_v=None,
            settle_s=None,
            within_ppm=None,
        )
    at = _of(seen, after)
    since_s, away_ppm = seen.t_s[at] - after.from_s, seen.offset_ppm[at] - settled_ppm
    settle_s, within_ppm = _settling(since_s, away_ppm, change)
    per_c = _per(change, before.ambient_c, after.ambient_c, _MOVED_C)
    per_v = _per(change, before.supply_v, after.supply_v, STEP_V)
    u_c, _ = thermometer(seen.thermometer_u_c)
    return Response(
        name=after.name,
        change_ppm=change,
        u_ppm=u,
        sign="up" if change > 0 else "down",
        ppm_per_c=per_c,
        ppm_per_v=per_v,
        settle_s=settle_s,
        within_ppm=within_ppm,
        u_ppm_per_c=_u_per(per_c, u / change, 2.0 * GAIN_PER_C * u_c),
        u_ppm_per_v=_u_per(per_v, u / change, 0.0),
    )


def _by_noise(
    seen: Observed, first: Phase, before: Phase, after: Phase, sure: float
) -> float:
    """Return U of a change where nothing was done, by the noise of the run.

    `sure` is the quantile: 0.975 for 95 % of one change.
    """
    stretches = [seen.offset_ppm[_of(seen, first)]]
    stretches += [
        seen.offset_ppm[at[len(at) // 3 :]]
        for at in (_of(seen, one) for one in (before, after) if one is not first)
    ]
    spacing_s = float(np.median(np.diff(seen.t_s[_of(seen, after)])))
    windows = [_window(seen, one, spacing_s) for one in (before, after)]
    u, freedom = apart(stretches, *windows)
    return u if u == 0.0 else student_quantile(freedom, sure) * u


def _of(seen: Observed, phase: Phase) -> NDArray[np.int64]:
    """Return which readings are of a phase."""
    end = math.inf if phase.to_s >= seen.t_s[-1] else phase.to_s
    return _within(seen, phase.from_s, end)


def _window(seen: Observed, phase: Phase, spacing_s: float) -> tuple[float, float]:
    """Return when the settled part of a phase begins and ends, in readings."""
    t_s = seen.t_s[_of(seen, phase)]
    begin = float(t_s[-_tail(len(t_s))] - seen.t_s[0]) / spacing_s
    return begin, float(t_s[-1] - seen.t_s[0]) / spacing_s + 1.0


def _settling(
    since_s: Array,
    away_ppm: Array,
    change_ppm: float,
    *,
    scatters: float = _SCATTERS,
    still_moving: float = STILL_MOVING,
) -> tuple[float | None, float | None]:
    """Return when a phase had settled, and within what; None if it still moves.

    A running median is looked at, so that single readings of a restless source do not
    count; the band is no narrower than that median itself scatters at the end.
    """
    smooth = _running_median(away_ppm)
    tail = _tail(len(smooth))
    within = max(WITHIN * abs(change_ppm), scatters * float(smooth[-tail:].std()))
    if within > abs(change_ppm) / 2:
        return None, None
    half = tail // 2
    moved = float(smooth[-half:].mean() - smooth[-tail : -half or None].mean())
    if abs(moved) > still_moving * abs(change_ppm) and moved * change_ppm > 0:
        return None, within
    outside = np.flatnonzero(np.abs(smooth) > within)
    if not len(outside):
        return float(since_s[0]), within
    if outside[-1] >= len(smooth) - tail:
        return None, within
    return float(since_s[outside[-1] + 1]), within


def _running_median(values: Array) -> Array:
    """Return the median of what is about each value, less wide at both ends."""
    half = len(values) // (2 * _SMOOTHED)
    windows = sliding_window_view(values, 2 * half + 1)
    some = max(1, _AT_ONCE // windows.shape[1])  # a median copies its windows
    each = (windows[at : at + some] for at in range(0, len(windows), some))
    inside = np.concatenate([np.median(one, axis=1) for one in each])
    begin = [np.median(values[: at + half + 1]) for at in range(half)]
    end = [np.median(values[at - half :]) for at in range(-half, 0)]
    return np.concatenate([begin, inside, end])


def _per(
    change: float, before: float | None, after: float | None, least: float
) -> float | None:
    if before is None or after is None or abs(after - before) < least:
        return None
    return change / (after - before)


def _u_per(rate: float | None, *shares: float) -> float | None:
    """Return U of a rate from the relative ones of what it is made of."""
    return None if rate is None else abs(rate) * math.hypot(*shares)


def _mean(values: Array) -> float | None:
    """Return the mean; None where more than a tenth is missing.

    It would be the mean of another stretch than the offset's.
    """
    known = values[np.isfinite(values)]
    if not len(known) or len(values) - len(known) > _MISSING * len(values):
        return None
    return float(known.mean())
