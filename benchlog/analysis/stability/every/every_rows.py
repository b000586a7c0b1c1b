"""The figures of a deviation at every averaging factor, with their intervals."""

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.series import Series
from benchlog.analysis.stability.every.all_factors import (
    ALLAN,
    HADAMARD,
    MODIFIED,
    SquaredDifferences,
    every_mean_square,
)
from benchlog.analysis.stability.every.every_freedom import (
    every_freedom,
    every_interval,
)
from benchlog.analysis.stability.every.row_columns import RowColumns
from benchlog.analysis.stability.noise_identification import Named

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

DIFFERENCES: Final[Mapping[str, SquaredDifferences]] = {
    "adev": ALLAN,
    "hdev": HADAMARD,
    "mdev": MODIFIED,
    "tdev": MODIFIED,
}
"""What each deviation squares."""
_DIVIDED_BY: Final = {"adev": 2.0, "hdev": 6.0, "mdev": 2.0, "tdev": 2.0}  # definition


def squares_of(kind: str, phase: Array, top: int) -> Array:
    """Return the mean squares that a deviation is made of, at m = 1 ... top."""
    return every_mean_square(phase, DIFFERENCES[kind], top)


def every_columns(
    kind: str,
    squares: Array,
    scale: tuple[Series, float, float],
    names: Mapping[int, Named],
) -> RowColumns:
    """Return the rows' figures at m = 1 ... top, as one by one they would be.

    Parameters
    ----------
    kind : str
        A key of `DIFFERENCES`; of `tdev` the figures of `mdev`, see `as_time`.
    squares : array, shape (top,)
        `every_mean_square` of its differences.
    scale : tuple
        The series, what a deviation is in units of, the probability of an interval.
    names : mapping
        The noise named at each octave, see `noise_naming.octave_names`.

    """
    series, unit, probability = scale
    m = np.arange(1, len(squares) + 1)
    points = len(series) + (series.data != "phase")
    differences = DIFFERENCES[kind]
    n = np.maximum(0, points + differences.summed - differences.order * m)
    values = np.sqrt(np.maximum(0.0, squares / _DIVIDED_BY[kind])) / m * unit
    order = 2 if differences.summed else differences.order
    edf = every_freedom((order, differences.summed), m, n, _cautious(m, names))
    low, high = every_interval(values, edf, probability)
    return RowColumns(n=n, values=values, low=low, high=high, edf=edf)


def as_time(columns: RowColumns, tau0_s: float) -> RowColumns:
    """Return the time deviation of a modified Allan deviation."""
    tau_s = tau0_s * np.arange(1.0, len(columns.n) + 1.0)
    return columns.times(tau_s / np.sqrt(3.0))


def _cautious(m: Whole, names: Mapping[int, Named]) -> Array:
    """Return the exponent that the interval at each factor takes.

    It goes evenly in ln(m) from one octave to the next where both are known.
    """
    octave = np.frexp(m.astype(np.float64))[1] - 1
    known = [names[1 << k].cautious for k in range(int(octave[-1]) + 1)]
    here = np.array([np.nan if one is None else one for one in known])
    above = np.append(here[1:], np.nan)
    above = np.where(np.isnan(above), here, above)
    way = np.log2(m / np.exp2(octave))
    blend = here[octave] + way * (above[octave] - here[octave])
    return np.nan_to_num(blend)  # 0 where none is known, as one by one
