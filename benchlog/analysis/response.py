"""How a source answers to what is done to it: phases of a run and the steps between.

A run is cut where somebody marked it ("warming", "supply 3.3 V") or where a measured
supply stepped. Each phase has an offset, from its settled part; the response names the
sign, ppm per degree where ambient moved with it, ppm per volt where the supply did, and
how long the source took to settle.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.errors import DataError

Array = NDArray[np.float64]

FEWEST: Final = 4
"""Readings that a phase needs for a figure of its own."""
SETTLED_SHARE: Final = 1 / 3
"""The last part of a phase that stands for where it went."""
_MOVED_C: Final = 0.5
_STEP_V: Final = 0.05
_SIGMAS: Final = 3.0
_MAD: Final = 1.4826  # makes the median absolute deviation of a normal its sd


@dataclass(frozen=True, slots=True)
class Cut:
    """A moment at which a phase begins, and what it is called."""

    t_s: float
    name: str


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of a run; figures are of its settled part, None where unknown.

    `settle_s` is the time from its beginning until readings stay within three times
    their scatter of the settled offset; None when they never do.
    """

    name: str
    from_s: float
    to_s: float
    n: int
    offset_ppm: float | None
    u_ppm: float | None
    ambient_c: float | None
    supply_v: float | None
    settle_s: float | None


@dataclass(frozen=True, slots=True)
class Response:
    """What a phase changed against the one before; `sign` is up, down or none."""

    name: str
    change_ppm: float
    u_ppm: float
    sign: str
    ppm_per_c: float | None
    ppm_per_v: float | None
    settle_s: float | None


@dataclass(frozen=True, slots=True)
class Observed:
    """Readings in the order of time: s, ppm, C and V; NaN where unknown."""

    t_s: Array
    offset_ppm: Array
    ambient_c: Array
    supply_v: Array


def phases(seen: Observed, cuts: Sequence[Cut]) -> tuple[Phase, ...]:
    """Cut readings into phases; the first is called `start`.

    Raises DataError when there are no readings.
    """
    if not len(seen.t_s):
        raise DataError("the run has no readings")
    inside = [cut for cut in cuts if seen.t_s[0] < cut.t_s <= seen.t_s[-1]]
    starts = [Cut(float(seen.t_s[0]), "start"), *sorted(inside, key=lambda c: c.t_s)]
    ends = [cut.t_s for cut in starts[1:]] + [float(seen.t_s[-1])]
    return tuple(
        _phase(seen, cut, end, last=end == ends[-1])
        for cut, end in zip(starts, ends, strict=True)
    )


def responses(found: Sequence[Phase]) -> tuple[Response, ...]:
    """Return what each phase changed against the one before it that has a figure."""
    known = [phase for phase in found if phase.offset_ppm is not None]
    return tuple(_response(a, b) for a, b in pairwise(known))


def supply_cuts(t_s: Array, volts: Array) -> tuple[Cut, ...]:
    """Return where a measured supply stepped by more than 50 mV and stayed.

    Two readings on the new side are asked for, so that one bad value is no step.
    """
    found: list[Cut] = []
    level = float(volts[0]) if len(volts) else math.nan
    for at in range(1, len(volts) - 1):
        moved = abs(volts[at] - level) > _STEP_V
        stays = abs(volts[at + 1] - volts[at]) <= _STEP_V
        if moved and stays:
            level = float(volts[at])
            found.append(Cut(float(t_s[at]), f"supply {level:.2f} V"))
    return tuple(found)


def _phase(seen: Observed, cut: Cut, end: float, *, last: bool) -> Phase:
    upper = seen.t_s <= end if last else seen.t_s < end
    at = np.flatnonzero((seen.t_s >= cut.t_s) & upper)
    n = len(at)
    if n < FEWEST:
        return Phase(cut.name, cut.t_s, end, n, None, None, None, None, None)
    tail = at[-max(FEWEST - 1, math.ceil(n * SETTLED_SHARE)) :]
    ppm = seen.offset_ppm[tail]
    mean, sd = float(ppm.mean()), float(ppm.std(ddof=1))
    return Phase(
        cut.name,
        cut.t_s,
        end,
        n,
        mean,
        sd / math.sqrt(len(tail)),
        _mean(seen.ambient_c[tail]),
        _mean(seen.supply_v[tail]),
        _settle_s(seen.t_s[at] - cut.t_s, seen.offset_ppm[at], mean),
    )


def _settle_s(since_s: Array, ppm: Array, settled_ppm: float) -> float | None:
    steps = np.diff(ppm)
    # Scatter from successive differences: a slow settling does not count as scatter.
    scatter = _MAD * float(np.median(np.abs(steps - np.median(steps)))) / math.sqrt(2)
    outside = np.flatnonzero(np.abs(ppm - settled_ppm) > _SIGMAS * scatter)
    if not len(outside):
        return float(since_s[0])
    if outside[-1] >= len(ppm) - 2:
        return None
    return float(since_s[outside[-1] + 1])


def _response(before: Phase, after: Phase) -> Response:
    change = (after.offset_ppm or 0.0) - (before.offset_ppm or 0.0)
    u = math.hypot(before.u_ppm or 0.0, after.u_ppm or 0.0)
    clear = abs(change) > 2 * u
    sign = ("up" if change > 0 else "down") if clear else "none"
    return Response(
        after.name,
        change,
        u,
        sign,
        _per(change, before.ambient_c, after.ambient_c, _MOVED_C),
        _per(change, before.supply_v, after.supply_v, _STEP_V),
        after.settle_s,
    )


def _per(
    change: float, before: float | None, after: float | None, least: float
) -> float | None:
    if before is None or after is None or abs(after - before) < least:
        return None
    return change / (after - before)


def _mean(values: Array) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else None
