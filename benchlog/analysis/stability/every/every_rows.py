"""The figures of a deviation at every averaging factor, with their intervals."""

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.series import Series, frequency_of, phase_of
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
from benchlog.analysis.stability.every.gapped_windows import gapped_modified
from benchlog.analysis.stability.every.row_columns import RowColumns
from benchlog.analysis.stability.every.straightening import straightened
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


def squares_of(
    kind: str, series: Series, phase: Array, top: int
) -> tuple[Array, Whole]:
    """Return the mean squares at m = 1 ... top, and of how many differences.

    `phase` is that of the series; not asked for where values are missing, and then the
    kind is one of averages over phase.
    """
    if series.missing:
        return gapped_modified(frequency_of(series), top)
    if kind == "hdev" and series.data == "frequency":
        # it sees no drift, which rounds the phase by more than 1e-9 of its noise
        level = straightened(series.values, 1)
        phase, _ = phase_of(Series(level, 1.0), exact=True)
    differences = DIFFERENCES[kind]
    counts = [differences.count(len(phase), m) for m in (0, 1)]
    n = counts[0] + (counts[1] - counts[0]) * np.arange(1, top + 1)
    return every_mean_square(phase, differences, top), np.maximum(0, n)


def every_columns(
    kind: str,
    squares: tuple[Array, Whole],
    scale: tuple[float, float],
    names: Mapping[int, Named],
) -> RowColumns:
    """Return the rows' figures at m = 1 ... top, as one by one they would be.

    Parameters
    ----------
    kind : str
        A key of `DIFFERENCES`; of `tdev` the figures of `mdev`, see `as_time`.
    squares : tuple
        What `squares_of` returns.
    scale : tuple
        What a deviation is in units of, and the probability of an interval.
    names : mapping
        The noise named at each octave, see `noise_naming.octave_names`.

    """
    (found, n), (unit, probability) = squares, scale
    m = np.arange(1, len(n) + 1)
    differences = DIFFERENCES[kind]
    values = np.sqrt(np.maximum(0.0, found / _DIVIDED_BY[kind] / m**2)) * unit
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
    return np.asarray(np.nan_to_num(blend))  # 0 where none is known, as one by one
