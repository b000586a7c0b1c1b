"""The rows of a deviation at every averaging factor: figures as arrays, rows last."""

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.series import Series
from benchlog.analysis.stability.deviations import StabilityRow
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
from benchlog.analysis.stability.noise_identification import NOISE_NAMES, Named

Array = NDArray[np.float64]

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


def every_row(
    kind: str,
    squares: Array,
    scale: tuple[Series, float, float],
    names: Mapping[int, Named],
) -> list[StabilityRow]:
    """Return the rows at m = 1 ... top, as one by one they would be.

    Parameters
    ----------
    kind : str
        A key of `DIFFERENCES`.
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
    tau_s = m * series.tau0_s
    values = np.sqrt(np.maximum(0.0, squares / _DIVIDED_BY[kind] / m**2)) * unit
    if kind == "tdev":
        values = values * (tau_s / np.sqrt(3.0))
    octave, cautious = _octaves(m, names)
    order = 2 if differences.summed else differences.order
    edf = every_freedom((order, differences.summed), m, n, cautious)
    low, high = every_interval(values, edf, probability)
    named = {k: names[1 << k] for k in np.unique(octave).tolist()}
    texts = {k: _text_of(one) for k, one in named.items()}
    columns = (tau_s, m, n, values, low, high, edf, octave)
    return [
        StabilityRow(
            tau_s=tau,
            m=factor,
            n=count,
            value=value,
            low=least,
            high=most,
            noise=texts[k],
            edf=freedom,
            carried=named[k].carried,
        )
        if count
        else StabilityRow(tau_s=tau, m=factor, n=0, value=None)
        for tau, factor, count, value, least, most, freedom, k in zip(
            *(one.tolist() for one in columns), strict=True
        )
    ]


def _text_of(named: Named) -> str | None:
    return None if named.likely is None else NOISE_NAMES[named.likely]


def _octaves(
    m: NDArray[np.int64], names: Mapping[int, Named]
) -> tuple[NDArray[np.int64], Array]:
    """Return which octave each factor is in, and the exponent its interval takes.

    It goes evenly in ln(m) from one octave to the next where both are known.
    """
    octave = np.frexp(m.astype(np.float64))[1].astype(np.int64) - 1
    known = [names[1 << k].cautious for k in range(int(octave[-1]) + 1)]
    here = np.array([np.nan if one is None else one for one in known])
    above = np.append(here[1:], np.nan)
    above = np.where(np.isnan(above), here, above)
    way = np.log2(m / np.exp2(octave))
    blend = here[octave] + way * (above[octave] - here[octave])
    return octave, np.nan_to_num(blend)  # 0 where none is known, as one by one
