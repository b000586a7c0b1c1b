"""The means of turns on an equally spaced grid, for stability figures."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.errors import DataError
from benchlog.model import Frequencies
from benchlog.units import NS_PER_S

Array = NDArray[np.float64]
_HALF: Final = 2  # our rule: as for averages, a turn counts with half of its readings


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnGrid:
    """Turns in places `slots` of `size`, `spacing_s` apart, of `gates` gates each."""

    mean_hz: Array
    slots: NDArray[np.int64]
    size: int
    spacing_s: float
    gates: int


def turns_on_grid(found: Frequencies) -> TurnGrid:
    """Return the means of turns that hold at least half of the usual readings.

    Turns stand where they end. Across segments time goes on by UTC, without stamps by
    one empty place. Raises DataError where no two turns are left, or time stops.
    """
    breaks = found.breaks
    first = np.flatnonzero(breaks.turns)
    starts = np.concatenate(([0], breaks.at[first]))
    starts = np.unique(starts)  # the run's first reading may be marked itself
    counts = np.diff(np.append(starts, len(found)))
    gates = int(np.median(counts))
    kept = _HALF * counts >= gates
    kept[0] &= counts[0] <= _HALF * gates  # a stretch before the turns began is none
    if np.count_nonzero(kept) < 2:
        raise DataError("fewer than two turns: stability needs several to compare")
    mean_hz = np.add.reduceat(found.frequency_hz, starts) / counts
    ends_s = _ends_s(found, starts, counts)[kept]
    steps_s = np.diff(ends_s)
    if (steps_s <= 0).any():
        raise DataError("time does not go on from turn to turn")
    spacing_s = _spacing_s(steps_s)
    places = np.maximum(np.rint(steps_s / spacing_s), 1.0).astype(np.int64)
    slots = np.concatenate(([0], np.cumsum(places)))
    return TurnGrid(
        mean_hz=mean_hz[kept],
        slots=slots,
        size=int(slots[-1]) + 1,
        spacing_s=spacing_s,
        gates=gates,
    )


def _spacing_s(steps_s: Array) -> float:
    """Return the mean of steps that are no longer than usual."""
    usual_s = float(np.median(steps_s))
    return float(steps_s[steps_s < 1.5 * usual_s].mean())


def _ends_s(
    found: Frequencies, starts: NDArray[np.int64], counts: NDArray[np.int64]
) -> Array:
    """Return when each turn ended, in s since the first did."""
    breaks = found.breaks
    at = np.searchsorted(breaks.at, starts[1:])
    before_ns, first_ns = breaks.mono_ns[at].T.astype(np.float64)
    apart_ns = first_ns - before_ns  # of a turn's first reading from the one before it
    stamped = np.all(breaks.utc_ns[at] >= 0, axis=1)
    by_utc = np.diff(breaks.utc_ns[at], axis=1)[:, 0].astype(np.float64)
    apart_ns = np.where(breaks.turned[at] & stamped, by_utc, apart_ns)
    lasted_s = (counts[1:] - 1) * found.gate_s
    return np.asarray(
        np.concatenate(([0.0], np.cumsum(apart_ns / NS_PER_S + lasted_s)))
    )
