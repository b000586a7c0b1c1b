"""Stability against averaging time: deviations, their noise and their intervals.

Sources: IEEE Std 1139; W. J. Riley, Handbook of Frequency Stability Analysis, NIST
SP 1065 (2008). Frequencies are fractional (a number), phases and time deviations in s.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.arrays import BLOCK
from benchlog.analysis.series import Series, frequency_of, phase_of
from benchlog.analysis.stability.counter_weight import (
    bias_across_dead_time,
    counter_bias,
)
from benchlog.analysis.stability.dead_time import noise_across_dead_time
from benchlog.analysis.stability.deviations import (
    SHARED,
    SLOW,
    DeviationRequest,
    Stability,
    StabilityRow,
    carried_note,
    check_request,
    factors_of,
    goes_at_once,
    notes_on,
)
from benchlog.analysis.stability.difference_sums import (
    Squares,
    gapped_plain,
    gapped_squares,
    longest_stretch,
    mean_squares,
    plain_squares,
    total_squares,
)
from benchlog.analysis.stability.drift_dominance import (
    KINDS,
    drift_each,
    drift_of,
    with_drift,
)
from benchlog.analysis.stability.every.row_columns import EveryRow, RowColumns
from benchlog.analysis.stability.freedom import (
    Differences,
    blended_freedom,
    interval,
    total_freedom,
)
from benchlog.analysis.stability.mtie import widest_swings
from benchlog.analysis.stability.noise_identification import (
    NOISE_NAMES,
    Named,
)
from benchlog.analysis.stability.noise_naming import name_noises, octave_names
from benchlog.analysis.stability.total_variance import (
    DRIFT_SHORT,
    HADAMARD_BIAS,
    MODIFIED_BIAS,
    TOTAL_SHORT,
    bias_of,
    hadamard_total,
    modified_total,
    total_bias,
)
from benchlog.errors import DataError
from benchlog.model import TWO_STAMPS

Array = NDArray[np.float64]

__all__ = ["DeviationRequest", "Stability", "StabilityRow", "stabilities", "stability"]

_EMPTY: Final = np.empty(0)


def stability(
    series: Series, kind: str = "adev", request: DeviationRequest | None = None
) -> Stability:
    """Return one deviation. See `stabilities`."""
    return stabilities(series, (kind,), request)[0]


def stabilities(
    series: Series,
    kinds: Sequence[str] = SHARED,
    request: DeviationRequest | None = None,
) -> tuple[Stability, ...]:
    """Return several deviations of the same data, sharing the passes over it.

    Parameters
    ----------
    series : Series
        Frequency or phase; frequency values may be missing.
    kinds : sequence of str
        `adev mdev tdev hdev totdev mtotdev ttotdev htotdev mtie`.
    request : Request
        Averaging times and estimator.

    Returns
    -------
    tuple of Stability
        One per kind. An averaging time that leaves no pair is an empty row.

    Raises DataError for an unknown kind, estimator or spacing, for fewer than three
    phases (two frequencies), and for data that do not scatter at all.

    """
    request = request or DeviationRequest()
    check_request(kinds, request)
    work = _Work(series, request, kinds)
    return tuple(work.deviation(kind) for kind in kinds)


def noises_of(series: Series, request: DeviationRequest) -> dict[int, Named]:
    """Return the noise at each averaging factor of a request. Raises DataError."""
    return _Work(series, request, ("adev",)).noises()


class _Work:
    """What the deviations of one call share."""

    def __init__(
        self, series: Series, request: DeviationRequest, kinds: Sequence[str]
    ) -> None:
        self.series, self.request = series, request
        self._kinds = set(kinds)
        self.missing = series.missing
        self.gaps = self.missing > 0
        if self.gaps and series.data == "phase":
            series = Series(frequency_of(series), series.tau0_s)
        self.phase, self.unit, self.frequency = _EMPTY, 1.0, _EMPTY
        if self.gaps:
            self.frequency = series.values
            self.points = len(series) + 1
        else:
            self.phase, self.unit = phase_of(series, exact=request.spacing == "every")
            self.points = len(self.phase)
        self._refuse_empty()
        self.factors = factors_of(self.points, series.tau0_s, request)
        self._squares: list[Squares] | None = None
        self._noises: dict[int, Named] = {}
        self._octaves: dict[int, Named] = {}
        self._every: dict[str, RowColumns] = {}

    def _refuse_empty(self) -> None:
        """Raise where there is nothing to describe."""
        missing = int(np.count_nonzero(np.isnan(self.frequency)))
        values = max(0, self.points - 1 - missing)
        if values < 2:
            raise DataError(
                f"too few readings: {values}, and stability needs 2 or more"
            )
        if self.gaps:
            known = self.frequency[~np.isnan(self.frequency)]
            alike = float(known.min()) == float(known.max())
        else:
            alike = mean_squares(self.phase[:BLOCK], [1])[0].allan == 0.0
            alike = alike and mean_squares(self.phase, [1])[0].allan == 0.0
        if alike:
            raise DataError("all values are alike: there is no scatter to describe")

    def noises(self) -> dict[int, Named]:
        """Name the noise at each factor."""
        if not self._noises:
            self._noises = name_noises(self.phase, self.frequency, self.factors)
        return self._noises

    def squares(self) -> list[Squares]:
        if self._squares is None:
            if self.gaps:
                self._squares = gapped_squares(self.frequency, self.factors)
            else:
                self._squares = mean_squares(
                    self.phase,
                    self.factors,
                    only_allan=self._kinds <= {"adev", "mtie"},
                )
        return self._squares

    def deviation(self, kind: str) -> Stability:
        series, gate_s = self.series, self.series.gate_s
        rows: Sequence[StabilityRow]
        rows = self._mtie() if kind == "mtie" else self._rows(kind)
        drifts: tuple[str, ...] = ()
        if kind in KINDS:
            drift = drift_each(self.frequency) if self.gaps else drift_of(self.phase)
            of_drift = [self._of_drift(row) for row in rows] if kind == "totdev" else ()
            rows, drifts = with_drift(rows, drift * self.unit, of_drift)
        return Stability(
            kind=kind,
            tau0_s=series.tau0_s,
            rows=rows,
            estimator=self.request.estimator,
            missing=self.missing,
            dead_time_s=0.0 if gate_s is None else series.tau0_s - gate_s,
            notes=tuple(notes_on(series, kind, self.missing))
            + drifts
            + carried_note(rows.of_octaves() if isinstance(rows, EveryRow) else rows),
        )

    def _rows(self, kind: str) -> Sequence[StabilityRow]:
        if goes_at_once(self.request, kind, gaps=self.gaps):
            return self._every_row(kind)
        if self.request.estimator == "plain":
            found = [self._plain(kind, m) for m in self.factors]
        elif kind in SHARED:
            found = [_shared(kind, square) for square in self.squares()]
        else:
            found = [self._total(kind, m) for m in self.factors]
        return [
            self._row(kind, m, *pair)
            for m, pair in zip(self.factors, found, strict=True)
        ]

    def _every_row(self, kind: str) -> EveryRow:
        from benchlog.analysis.stability.every.every_rows import (  # noqa: PLC0415 - seldom wanted
            as_time,
            every_columns,
            squares_of,
        )

        tau0_s, top = self.series.tau0_s, self.factors[-1]
        shared = "mdev" if kind == "tdev" else kind
        names = self._octaves or octave_names(self.phase, self.frequency, top)
        self._octaves = names
        if shared not in self._every:
            self._every[shared] = every_columns(
                shared,
                squares_of(shared, self.series, self.phase, top),
                (self.unit, self.request.probability),
                names,
            )
        columns = self._every[shared]
        return EveryRow(
            columns=as_time(columns, tau0_s) if kind == "tdev" else columns,
            tau0_s=tau0_s,
            names=tuple(names.values()),
            finish=None if self._has_no_bias() else self._biased,
            drift=top,
        )

    def _has_no_bias(self) -> bool:
        mode = self.series.counting.mode
        return self.series.dead_time_ratio <= 1.0 and mode in ("", TWO_STAMPS)

    def _plain(self, kind: str, m: int) -> tuple[float, int]:
        order = 2 if kind == "adev" else 3
        if self.gaps:
            square, n = gapped_plain(self.frequency, m, order)
        else:
            square, n = plain_squares(self.phase, m, order)
        return square / (2.0 if order == 2 else 6.0) / m**2, n

    def _total(self, kind: str, m: int) -> tuple[float, int]:
        """Return the variance of the total family and its count."""
        alpha = self.noises()[m].cautious
        phase = self._unbroken_phase()
        if kind == "totdev":
            square, n = total_squares(phase, m)
            bias = total_bias(m, len(phase) - 1, self._total_short(m))
            return (square / (2.0 * m**2) / bias if n else 0.0), n
        if kind == "htotdev":
            variance, n = hadamard_total(np.diff(phase), m)
            bias = 1.0 if m == 1 else bias_of(HADAMARD_BIAS, alpha)
            return variance / bias, n
        variance, n = modified_total(phase, m)
        return variance / m**2 / bias_of(MODIFIED_BIAS, alpha), n

    def _of_drift(self, row: StabilityRow) -> float | None:
        """Return the total deviation of a row if a drift makes it."""
        if row.value is None:
            return None
        n = self.points - 1
        of_noise = total_bias(row.m, n, self._total_short(row.m))
        return row.value * math.sqrt(of_noise / total_bias(row.m, n, DRIFT_SHORT))

    def _total_short(self, m: int) -> float:
        return bias_of(TOTAL_SHORT, self.noises()[m].cautious)

    def _unbroken_phase(self) -> Array:
        if not self.gaps:
            return self.phase
        stretch = longest_stretch(self.frequency)
        return phase_of(Series(stretch, self.series.tau0_s))[0]

    def _row(self, kind: str, m: int, variance: float, n: int) -> StabilityRow:
        tau_s, found = m * self.series.tau0_s, self.noises()[m]
        alpha = found.likely
        noise = None if alpha is None else NOISE_NAMES[alpha]
        if n == 0:
            return StabilityRow(tau_s=tau_s, m=m, n=0, value=None)
        value = math.sqrt(max(0.0, variance)) * self.unit
        if kind in ("tdev", "ttotdev"):
            value *= tau_s / math.sqrt(3.0)
        row = StabilityRow(
            tau_s=tau_s, m=m, n=n, value=value, noise=noise, carried=found.carried
        )
        edf = self._freedom(kind, m, n, found.cautious)
        if edf is not None:
            low, high = interval(value, edf, self.request.probability)
            row = replace(row, low=low, high=high, edf=edf)
        return self._biased(row, alpha)

    def _biased(self, row: StabilityRow, alpha: int | None) -> StabilityRow:
        """Tell what dead time and the counter's weights do to noise named so."""
        ratio, mode = self.series.dead_time_ratio, self.series.counting.mode
        if alpha is None or self._has_no_bias():
            return row
        if ratio <= 1.0:
            return replace(row, bias=counter_bias(mode, row.m, ratio, alpha))
        noise = noise_across_dead_time(alpha, row.noise)
        bias = bias_across_dead_time(row.m, ratio, alpha, mode)
        return replace(row, noise=noise, bias=bias)

    def _freedom(self, kind: str, m: int, n: int, alpha: float | None) -> float | None:
        if kind in SLOW:
            return None
        near = 0.0 if alpha is None else alpha
        if kind == "totdev":
            return total_freedom(self.points, m, near)
        stride = m if self.request.estimator == "plain" else 1
        order = 3 if kind == "hdev" else 2
        averaged = kind in ("mdev", "tdev")
        return blended_freedom(
            Differences(order=order, m=m, pairs=n, averaged=averaged, stride=stride),
            near,
        )

    def _mtie(self) -> list[StabilityRow]:
        phase_s = self._whole_phase_s()
        swings = widest_swings(phase_s, self.factors)
        tau0_s = self.series.tau0_s
        return [
            StabilityRow(tau_s=m * tau0_s, m=m, n=n, value=swing if n else None)
            for m, swing in zip(self.factors, swings, strict=True)
            for n in (max(0, len(phase_s) - m),)
        ]

    def _whole_phase_s(self) -> Array:
        """Return phase in s with its straight line: MTIE counts that too."""
        if self.series.data == "phase" and not self.gaps:
            return self.series.values
        frequency = self.frequency if self.gaps else self.series.values
        summed = np.cumsum(longest_stretch(frequency)) * self.series.tau0_s
        return np.concatenate(([0.0], summed))


def _shared(kind: str, square: Squares) -> tuple[float, int]:
    m2 = square.m**2
    if kind == "adev":
        return square.allan / 2.0 / m2, square.n_allan
    if kind == "hdev":
        return square.hadamard / 6.0 / m2, square.n_hadamard
    return square.modified / 2.0 / m2, square.n_modified
