"""What time and power do: start-up, warm-up, retrace."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.points import Found, Points
from benchlog.errors import DataError

Array = NDArray[np.float64]
_ABOUT: Final = 4.0
"""How many times the band, and what share of it, a decay is fitted in; our rule: about
three time constants, within which one exponential is a fair picture."""
_FEWEST: Final = 5
"""Points of a decay; none is fitted of fewer; our rule: three more than its terms."""
_ROUNDS: Final = 3
"""Our rule: more change no digit that is shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Looks:
    """When a device was looked at after power on, and whether it ran.

    `t_s`, shape (n,), counts from power on and rises; `ran`, shape (n,).
    """

    t_s: Array
    ran: NDArray[np.bool_]


def start_up(looks: Looks) -> Found:
    """Return the time from power on to a device that runs, and goes on running.

    It ran between the last look at which it did not and the first since at which it
    did: a rectangle, whose 95 % interval is 0.95 of its half (JCGM 101 clause 6.4.2).
    Raises DataError when it never ran.
    """
    if not len(looks.ran) or not looks.ran[-1]:
        raise DataError("the device did not run when it was last looked at")
    silent = np.flatnonzero(~looks.ran)
    first = int(silent[-1]) + 1 if len(silent) else 0
    before = float(looks.t_s[first - 1]) if first else 0.0
    return started_between(before, float(looks.t_s[first]))


def started_between(low_s: float, high_s: float) -> Found:
    """Return the start-up time of a device that began to run between two moments.

    A rectangle, as in `start_up`; both count from power on, in s.
    """
    return Found(value=(low_s + high_s) / 2, u=0.95 * (high_s - low_s) / 2, unit="s")


def warm_up(points: Points, final: Found, band_ppm: float) -> Found:
    """Return the time from power on until a device stays within a band of its value.

    Parameters
    ----------
    points : Points
        `t_s` from power on; the offsets since.
    final : Found
        Its value after an hour, ppm.
    band_ppm : float
        +- about that value.

    Where a decay is seen about the band, its crossing; else the time lies between the
    last point surely outside and the first from which all surely are inside, a
    rectangle. Raises DataError where it has not come inside.

    """
    order = np.argsort(points.t_s)
    t_s, away = points.t_s[order], points.offset_ppm[order] - final.value
    half = points.coverage_factor() * points.u_ppm[order]
    doubt = np.hypot(half, final.u)
    if not len(t_s) or abs(away[-1]) > band_ppm + doubt[-1]:
        raise DataError("the device had not come within the band when it ended")
    outside = np.flatnonzero(np.abs(away) > band_ppm)
    if not len(outside):
        first = float(t_s[0])
        return Found(value=first / 2, u=0.95 * first / 2, unit="s", text="at once")
    last = int(outside[-1])
    found = _by_decay(t_s, away, half, band_ppm, last)
    if found is None:
        return _by_neighbours(t_s, np.abs(away), doubt, band_ppm)
    later_s, u_s, fall = found
    # an error of the final value moves the whole decay
    u = math.hypot(u_s, final.u / fall)
    return Found(value=later_s, u=u, unit="s")


def _by_decay(
    t_s: Array, away: Array, half: Array, band_ppm: float, last: int
) -> tuple[float, float, float] | None:
    """Return when a decay crosses the band, its 95 % interval's half, and ppm a second.

    A straight line through the logarithms of what is left, by least squares weighted
    with what the line itself leaves. None where no decay is seen about the band.
    """
    size = away * np.sign(away[last])
    fit = (size > band_ppm / _ABOUT) & (size < band_ppm * _ABOUT) & (size > 2 * half)
    first, end = last, last + 1
    while first > 0 and fit[first - 1]:
        first -= 1
    while end < len(fit) and fit[end]:
        end += 1
    if not fit[last] or end - first < _FEWEST:
        return None
    t, y = t_s[first:end] - t_s[last], np.log(size[first:end])
    design = np.column_stack([np.ones_like(t), t])
    level_rate, fitted = np.zeros(2), size[first:end]
    for _ in range(_ROUNDS):
        weight = fitted / half[first:end]
        solve = np.linalg.pinv(design * weight[:, None])
        level_rate = solve @ (y * weight)
        fitted = np.exp(design @ level_rate)
    level, rate = level_rate
    if rate >= 0:
        return None
    later = (math.log(band_ppm) - level) / rate
    if not t[0] <= later <= t[-1]:
        return None
    rest = (y - design @ level_rate) * weight  # in halves of 95 % intervals: 2 sigma
    scale = max(1.0, 2 * math.sqrt(float(rest @ rest) / (len(t) - 2)))
    u = float(np.sqrt(np.sum(((solve[0] + later * solve[1]) / rate) ** 2)))
    return float(t_s[last] + later), scale * u, -rate * band_ppm


def _by_neighbours(t_s: Array, away: Array, doubt: Array, band_ppm: float) -> Found:
    """Return the time between the last point surely outside and all surely inside."""
    surely = np.flatnonzero(away - doubt > band_ppm)
    maybe = np.flatnonzero(away + doubt > band_ppm)
    low = float(t_s[surely[-1]]) if len(surely) else 0.0
    later = int(maybe[-1]) + 1 if len(maybe) else 0
    high = float(t_s[min(later, len(t_s) - 1)])
    return Found(value=(low + high) / 2, u=0.95 * (high - low) / 2, unit="s")


def retrace(before: Points, after: Points) -> Found:
    """Return the value after a time without power less that before, with its interval.

    Several points of one side are taken as their mean. Raises DataError when a side has
    none.
    """
    if not len(before) or not len(after):
        raise DataError("retrace needs points before and after the time without power")
    both = before.with_others(after)
    shares = [
        np.full(len(before), -1.0 / len(before)),
        np.full(len(after), 1.0 / len(after)),
    ]
    weights = np.concatenate(shares)[None, :]
    u = float(both.u_of(weights)[0])
    change = float((weights @ both.offset_ppm)[0])
    return Found(value=change, u=both.coverage_factor() * u, unit="ppm")
