"""Steps that were told, found again in a run's readings: where, how large, and off.

The watch tells of a step between two blocks of readings; here is the pair of readings
that it lies between, so that it can be drawn and taken off a temperature curve.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_BESIDE: Final = 16  # definition: two blocks of the watch on either side


@dataclass(frozen=True, slots=True)
class PlacedStep:
    """A step of `size_ppm` between two readings, in the middle of them at `at_s`."""

    at_s: float
    size_ppm: float


def placed(
    t_s: Array, ppm: Array, windows: Iterable[tuple[float, float]]
) -> tuple[PlacedStep, ...]:
    """Return the steps that lie within windows of time (begin and end, s).

    Each is where neighbours differ most; its size is the difference of the medians of
    up to 16 readings on either side. A window without two readings has none. `t_s` and
    `ppm` have shape (n,).
    """
    found = {step.at_s: step for window in windows for step in _in(t_s, ppm, window)}
    return tuple(found[at_s] for at_s in sorted(found))


def _in(t_s: Array, ppm: Array, window: tuple[float, float]) -> Iterable[PlacedStep]:
    first = max(0, int(np.searchsorted(t_s, window[0], side="right")) - 1)
    last = min(len(t_s), int(np.searchsorted(t_s, window[1], side="left")) + 1)
    if last - first < 2:
        return
    at = first + 1 + int(np.argmax(np.abs(np.diff(ppm[first:last]))))
    before, after = ppm[max(0, at - _BESIDE) : at], ppm[at : at + _BESIDE]
    size = float(np.median(after) - np.median(before))
    yield PlacedStep(float(t_s[at - 1] + t_s[at]) / 2, size)


def leveled(t_s: Array, ppm: Array, steps: Sequence[PlacedStep]) -> Array:
    """Return offsets with each step taken off all that comes after it; shape (n,)."""
    level = ppm.copy()
    for step in steps:
        level[t_s > step.at_s] -= step.size_ppm
    return level
