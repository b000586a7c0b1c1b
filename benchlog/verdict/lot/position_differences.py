"""Devices at one position off from those at another: the bench, not the lot."""

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import student_above
from benchlog.units import signed_digits, three_digits

FEWEST: Final = 3  # our rule: two show hardly any scatter
"""Fewer devices at a position say nothing of it."""
ODD: Final = 0.01  # our rule: one in a hundred by chance
"""A difference less likely than this by chance is pointed at, as rows of failures
are."""
Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Seat:
    """A position with the mean offset and the number of its devices."""

    position: str
    n: int
    mean_ppm: float


@dataclass(frozen=True, slots=True)
class Apart:
    """The two positions farthest apart, and how likely that is by chance."""

    low: Seat
    high: Seat
    probability: float
    text: str

    def explains(self, split_ppm: float) -> bool:
        """Whether two groups split here are the devices of these positions."""
        return self.low.mean_ppm < split_ppm < self.high.mean_ppm


def positions_apart(
    offsets: Iterable[tuple[str, float]],
    floor_ppm: float = 0.0,
    u_common_ppm: float = 0.0,
) -> Apart | None:
    """Return the positions whose devices differ by more than their scatter explains.

    Welch's t test (Biometrika 34 (1947) 28) between the positions with the lowest and
    the highest mean, its probability times the number of pairs (Bonferroni).

    Parameters
    ----------
    offsets : iterable of (position, ppm)
        One entry for each device.
    floor_ppm : float
        Standard uncertainty of one device that others do not share: devices that
        scatter less than they were measured point at nothing for that.
    u_common_ppm : float
        Expanded uncertainty of a time base; two counters may differ by sqrt(2) of it.

    """
    seats: defaultdict[str, list[float]] = defaultdict(list)
    for position, ppm in offsets:
        seats[position].append(ppm)
    known = [(name, np.array(v)) for name, v in seats.items() if len(v) >= FEWEST]
    if len(known) < 2:
        return None
    known.sort(key=lambda seat: float(seat[1].mean()))
    (low, below), (high, above) = known[0], known[-1]
    pairs = len(known) * (len(known) - 1) // 2
    chance = min(1.0, pairs * _chance(below, above, floor_ppm))
    if chance >= ODD:
        return None
    ends = _seat(low, below), _seat(high, above)
    return Apart(*ends, chance, _text(*ends, u_common_ppm))


def _seat(name: str, offsets: Array) -> Seat:
    return Seat(name, len(offsets), float(offsets.mean()))


def _chance(below: Array, above: Array, floor_ppm: float) -> float:
    """Return the two-sided probability of means so far apart, by chance alone."""
    squares = [
        max(float(one.var(ddof=1)), floor_ppm * floor_ppm) / len(one)
        for one in (below, above)
    ]
    between = float(above.mean() - below.mean())
    whole = sum(squares)
    if whole <= 0:
        return 1.0 if between <= 0 else 0.0
    parts = zip(squares, (below, above), strict=True)
    freedom = whole**2 / sum(sq**2 / (len(one) - 1) for sq, one in parts)
    return 2.0 * student_above(freedom, between / math.sqrt(whole))


def _text(low: Seat, high: Seat, u_common_ppm: float) -> str:
    between = high.mean_ppm - low.mean_ppm
    said = (
        f"{high.n} devices at {high.position} are on average {three_digits(between)} "
        "ppm "
        f"above {low.n} at {low.position} ({signed_digits(high.mean_ppm)} and "
        f"{signed_digits(low.mean_ppm)} ppm), more than their scatter explains"
    )
    if between <= math.sqrt(2.0) * u_common_ppm:
        return f"{said}; if two counters measured, their time bases may do that"
    return f"{said}: look at the hook-up of these positions before the devices"
