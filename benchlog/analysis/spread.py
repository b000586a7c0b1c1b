"""How a run's offsets are spread: the bins of their histogram."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_FEWEST: Final = 10  # our rule: fewer readings show no shape
_BINS: Final = 60  # our rule: more than a picture of this width can show


@dataclass(frozen=True, slots=True)
class Spread:
    """How many readings lie in each bin: `counts` (k,) between `edges_ppm` (k + 1,).

    `span_ppm` is from the lowest reading to the highest.
    """

    counts: NDArray[np.int64]
    edges_ppm: Array
    span_ppm: float


def spread_of(ppm: Array) -> Spread | None:
    """Return the spread of offsets; None below 10 of them or where none scatters.

    What is no more than the rounding of 64-bit floats in each bin is no scatter.

    Bins after Freedman and Diaconis (Zeitschrift fuer Wahrscheinlichkeitstheorie 57
    (1981) 453), at most 60.
    """
    if len(ppm) < _FEWEST:
        return None
    low, high = float(ppm.min()), float(ppm.max())
    span = high - low
    rounding = float(np.spacing(max(-low, high, 0.0)))
    if not math.isfinite(span) or span <= _BINS * rounding:
        return None
    quarter = float(np.subtract(*np.percentile(ppm, [75, 25])))
    width = 2 * quarter / len(ppm) ** (1 / 3)
    bins = _BINS if width <= 0 else min(_BINS, max(5, math.ceil(span / width)))
    return Spread(*np.histogram(ppm, bins), span)
