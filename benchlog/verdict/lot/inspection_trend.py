"""What happened while a lot was measured: drift, the room, failures in a row."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import normal_quantile
from benchlog.units import interval_texts, signed_digits, three_digits

Array = NDArray[np.float64]

HOUR_NS: Final = 3_600_000_000_000  # definition
FEWEST: Final = 8  # our rule: see below
"""Fewer devices say nothing of a trend."""
ODD: Final = 0.01  # our rule: one lot in a hundred is pointed at by chance
"""A row of failures less likely than this is pointed at."""


@dataclass(frozen=True, slots=True)
class Trend:
    """A slope per hour with its 95 % interval; `clear` when that excludes zero."""

    per_hour: float
    low: float
    high: float
    n: int

    @property
    def clear(self) -> bool:
        """Whether the interval excludes zero."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True, slots=True)
class InspectionTrend:
    """Offset and ambient through the session, and what a person should think of it."""

    hours: float
    offset_ppm: Trend
    ambient_c: Trend | None
    text: str


@dataclass(frozen=True, slots=True)
class FailureRow:
    """Devices measured one after another that did not pass: first index and length."""

    first: int
    length: int
    probability: float


def trend(hours: Sequence[float], values: Sequence[float]) -> Trend | None:
    """Return the median slope; None for few values or all at one time.

    Theil (1950) and Sen (1968): the median of the slopes of all pairs, with the
    interval by Kendall's statistic; a few odd devices do not turn it.
    """
    x = np.asarray(hours, dtype=np.float64)
    y = np.asarray(values, dtype=np.float64)
    if len(x) < FEWEST or np.ptp(x) <= 0:
        return None
    return Trend(*_median_slope(x, y), len(x))


def _median_slope(x: Array, y: Array) -> tuple[float, float, float]:
    """Return the median slope of all pairs and its 95 % interval, Sen's (2.6).

    Our own, since `scipy.stats` takes half a second to import; a test holds it to that.
    """
    run, rise = x[:, None] - x, y[:, None] - y
    slopes = np.sort(rise[run > 0] / run[run > 0])
    pairs = len(slopes)
    counts = (np.unique(one, return_counts=True)[1].tolist() for one in (x, y))
    ties = sum(k * (k - 1) * (2 * k + 5) for of in counts for k in of if k > 1)
    variance = (len(x) * (len(x) - 1) * (2 * len(x) + 5) - ties) / 18.0
    spread = -normal_quantile(0.025) * math.sqrt(max(variance, 0.0))
    high = min(round((pairs + spread) / 2.0), pairs - 1)
    low = max(round((pairs - spread) / 2.0) - 1, 0)
    return float(np.median(slopes)), float(slopes[low]), float(slopes[high])


def drift(
    utc_ns: Sequence[int],
    offsets_ppm: Sequence[float],
    ambient_c: Sequence[float | None],
    limit_ppm: float,
) -> InspectionTrend | None:
    """Return the drift through the session; None when there is too little of it.

    The three sequences belong together, one entry for each device; ambient is None
    where it was not known.
    """
    if len(utc_ns) < FEWEST:
        return None
    hours = (np.asarray(utc_ns, dtype=np.int64) - min(utc_ns)) / HOUR_NS
    offset = trend(hours.tolist(), offsets_ppm)
    if offset is None:
        return None
    known = [i for i, c in enumerate(ambient_c) if c is not None]
    room = trend(
        [float(hours[i]) for i in known], [c for c in ambient_c if c is not None]
    )
    span = float(np.ptp(hours))
    return InspectionTrend(
        span, offset, room, _drift_text(offset, room, span, limit_ppm)
    )


def _drift_text(
    offset: Trend, room: Trend | None, hours: float, limit_ppm: float
) -> str:
    per_hour, low, high = interval_texts(offset.per_hour, offset.low, offset.high)
    said = f"offset {per_hour} ppm/h (95 %: {low} to {high})"
    if not offset.clear:
        return f"no drift to be seen: {said}"
    share = abs(offset.per_hour) * hours / limit_ppm
    said = (
        f"drift: {said}, {three_digits(100 * share)} % of the limit through the session"
    )
    if room is None:
        return f"{said}; ambient not known: was the room warming up?"
    if not room.clear:
        return f"{said}; ambient stayed: look at the instrument and the hook-up"
    slope = offset.per_hour / room.per_hour
    return (
        f"{said}, while ambient moved {signed_digits(room.per_hour)} C/h: the room may "
        f"be the cause ({signed_digits(slope)} ppm/C)"
    )


def rows_of_failures(good: Sequence[bool]) -> tuple[FailureRow, ...]:
    """Return rows of devices that did not pass and are too long to be chance.

    With the lot's own share p of such devices, a row of k somewhere among n has a
    probability of at most (n - k + 1) p^k in random order.
    """
    n = len(good)
    bad_share = 1 - sum(good) / n if n else 0.0
    found = []
    first = 0
    for here in range(n + 1):
        if here < n and not good[here]:
            continue
        length = here - first
        odds = (n - length + 1) * bad_share**length
        if length >= 2 and odds < ODD:
            found.append(FailureRow(first, length, odds))
        first = here + 1
    return tuple(found)
