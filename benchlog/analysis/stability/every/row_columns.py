"""Rows of very many averaging times, kept as arrays; a row is made when one asks."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import overload

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.stability.deviations import StabilityRow
from benchlog.analysis.stability.noise_identification import NOISE_NAMES, Named

Array = NDArray[np.float64]
Whole = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class RowColumns:
    """The figures of rows at the factors 1, 2, 3 ...

    Parameters
    ----------
    n : array of int, shape (top,)
        Differences that each rests on; 0: an empty row.
    values, low, high, edf : array, shape (top,)
        As in a row; what is said of an empty one does not count.

    """

    n: Whole
    values: Array
    low: Array
    high: Array
    edf: Array

    def times(self, factors: Array) -> "RowColumns":
        """Return the same with each deviation multiplied."""
        return replace(
            self,
            values=self.values * factors,
            low=self.low * factors,
            high=self.high * factors,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EveryRow(Sequence[StabilityRow]):
    """What a tuple of the rows would be.

    Parameters
    ----------
    columns : RowColumns
    names : tuple of Named
        The noise at 1, 2, 4 ...
    finish : callable
        Puts into a row, of noise alpha, what dead time and the counter do to it.
    drift : int
        The place of the first row of a drift, see `drift_dominance`; beyond the end
        where there is none.

    """

    columns: RowColumns
    tau0_s: float
    names: tuple[Named, ...]
    finish: Callable[[StabilityRow, int | None], StabilityRow] | None = None
    drift: int

    def __len__(self) -> int:
        """Return how many rows there are."""
        return len(self.columns.n)

    @overload
    def __getitem__(self, at: int) -> StabilityRow: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[StabilityRow, ...]: ...
    def __getitem__(self, at: int | slice) -> StabilityRow | tuple[StabilityRow, ...]:
        """Return a row, or the rows of a slice."""
        if isinstance(at, slice):
            return tuple(self[one] for one in range(*at.indices(len(self))))
        if not -len(self) <= at < len(self):
            raise IndexError(at)
        at %= len(self)
        of = self.columns
        figures = (of.values[at], of.low[at], of.high[at], of.edf[at])
        return self._row(at, int(of.n[at]), tuple(map(float, figures)))

    def __iter__(self) -> Iterator[StabilityRow]:
        """Yield the rows; quicker than one by one."""
        of = self.columns
        figures = (one.tolist() for one in (of.values, of.low, of.high, of.edf))
        rows = zip(*figures, strict=True)
        return map(self._row, range(len(self)), of.n.tolist(), rows)

    def of_octaves(self) -> list[StabilityRow]:
        """Return the rows at 1, 2, 4 ...: a name is that of its octave."""
        return [self[(1 << k) - 1] for k in range(len(self).bit_length())]

    def _row(self, at: int, n: int, figures: tuple[float, ...]) -> StabilityRow:
        value, low, high, edf = figures
        m = at + 1
        tau_s = m * self.tau0_s
        if not n or at >= self.drift:
            noise = "drift" if at >= self.drift else None
            known = value if n else None
            return StabilityRow(tau_s=tau_s, m=m, n=n, value=known, noise=noise)
        name = self.names[m.bit_length() - 1]
        row = StabilityRow(
            tau_s=tau_s,
            m=m,
            n=n,
            value=value,
            low=low,
            high=high,
            noise=None if name.likely is None else NOISE_NAMES[name.likely],
            edf=edf,
            carried=name.carried,
        )
        return row if self.finish is None else self.finish(row, name.likely)


def factors_and_values(rows: Sequence[StabilityRow]) -> tuple[Array, Array]:
    """Return the averaging factors and the deviations, NaN in an empty row."""
    if isinstance(rows, EveryRow):
        m = np.arange(1.0, len(rows) + 1.0)
        return m, np.where(rows.columns.n > 0, rows.columns.values, np.nan)
    m = np.array([row.m for row in rows], np.float64)
    return m, np.array([row.value for row in rows], np.float64)  # None becomes NaN
