"""Figures of a run while it grows: constant memory, constant cost per reading.

Frequencies are taken relative to the first reading, an exact subtraction, and scaled
to ppm at the very end: an offset of 1e-12 stays a figure beside 10 MHz.
"""

import copy
import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.linefit import ExactSum, LineFit, two_fold
from benchlog.analysis.octaves import REACH, Octaves
from benchlog.analysis.settling import without_settling
from benchlog.analysis.stats import AvarPoint, RunStats, TurnStats
from benchlog.analysis.turns.turn_means import TurnMeans
from benchlog.errors import DataError
from benchlog.model import Columns, Flag
from benchlog.units import NS_PER_S

Array = NDArray[np.float64]
# relative; instruments that report the gate report it with noise; our rule
_SAME_GATE = 1e-6
_BREAK_FLAGS: Final = int(Flag.GAP_BEFORE | Flag.TURN)  # definition: of breaks


@dataclass(slots=True)
class _Last:
    """What of the last reading the next one is compared with."""

    segment: int
    mono_ns: int
    gate_s: float
    t_s: float


@dataclass(slots=True, kw_only=True)
class _Ambient:
    """Mean and extremes of what is known of the ambient temperature, C."""

    n: int = 0
    typed: int = 0
    low: float = np.inf
    high: float = -np.inf
    total: ExactSum = field(default_factory=ExactSum)

    def feed(self, ambient_c: Array, flags: NDArray[np.int64]) -> None:
        known = ambient_c[np.isfinite(ambient_c)]
        self.typed += int(np.count_nonzero(flags & Flag.AMBIENT_TYPED))
        if len(known):
            self.n += len(known)
            self.low = min(self.low, float(known.min()))
            self.high = max(self.high, float(known.max()))
            self.total.add(two_fold(known))


class Running:
    """Figures of the readings fed so far; how they are chunked does not matter.

    Parameters
    ----------
    nominal_hz : float
        Nominal frequency of the device.
    divider : float
        The counter sees the device's frequency divided by this.

    Raises ValueError when either is not above zero.

    """

    def __init__(self, nominal_hz: float, divider: float = 1.0) -> None:
        if not (0 < nominal_hz < np.inf and 0 < divider < np.inf):
            raise ValueError("nominal_hz and divider must be finite and above zero")
        self.nominal_hz, self.divider = nominal_hz, divider
        self._reference_hz = 0.0
        self._low = np.inf
        self._high = -np.inf
        self._line = LineFit()
        self._octaves = Octaves()
        self._turns = TurnMeans()
        self._ambient = _Ambient()
        self._last: _Last | None = None
        self._first_utc_ns = self._last_utc_ns = -1
        self._first_gate_s = 0.0
        self._gaps = self._suspect = self._far = self._settling = 0
        self._left_out = False
        self._simulated = False
        self._spacing_ns = self._spacings = 0

    def feed(self, columns: Columns) -> None:
        """Take in readings in the order they were made.

        Raises DataError, taking in nothing, when a frequency is not finite and above
        zero: what the recorder accepts never is.
        """
        columns = self._settled(columns)
        if not len(columns):
            return
        hz = columns.frequency_hz
        if not are_frequencies(hz):
            raise DataError(
                "a stored frequency is not a number above zero; export the run and "
                "look for it, the figures would mean nothing"
            )
        if self._last is None:
            self._begin(columns)
        shifted = hz - self._reference_hz
        breaks, missing = self._breaks(columns)
        self._feed_line(columns, shifted)
        self._feed_octaves(shifted, breaks, missing)
        self._turns.feed(columns, shifted)
        self._feed_rest(columns, shifted)

    def without_settling(self) -> "Running":
        """Return a copy that knows nothing of the readings it left out."""
        found = copy.deepcopy(self)
        found._settling, found._left_out = 0, False
        return found

    def _settled(self, columns: Columns) -> Columns:
        """Leave out readings from before the device had settled; count them."""
        if not len(columns):
            return columns
        kept, out = without_settling(columns, self._left_out)
        self._left_out = bool(columns.flags[-1] & Flag.SETTLING)
        self._settling += out
        return kept

    def _begin(self, columns: Columns) -> None:
        self._reference_hz = float(columns.frequency_hz[0])
        self._first_utc_ns = int(columns.utc_ns[0])
        self._first_gate_s = float(columns.gate_s[0])

    def _breaks(self, columns: Columns) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
        """Mark the readings where all begins anew; count what is missing before each.

        At a gap within a segment the grid goes on, with at least one place empty; from
        turn to turn with one, which keeps pairs of readings apart: nothing is bridged.
        """
        last = self._last
        if last is not None and _follow_plainly(columns, last):
            n = len(columns)
            self._spacings += n
            self._spacing_ns += int(columns.mono_ns[-1]) - last.mono_ns
            return np.zeros(n, dtype=np.bool_), np.zeros(n, dtype=np.int64)
        segment = np.diff(columns.segment, prepend=last.segment if last else -1)
        mono = np.diff(columns.mono_ns, prepend=last.mono_ns if last else 0)
        gate = np.diff(columns.gate_s, prepend=last.gate_s if last else -1.0)
        gap = (columns.flags & Flag.GAP_BEFORE) != 0
        anew = (segment != 0) | (mono <= 0)
        if last is None:
            anew[0] = True
        self._gaps += int(np.count_nonzero(gap | anew)) - (last is None)
        anew |= np.abs(gate) > _SAME_GATE * columns.gate_s
        turn = (columns.flags & Flag.TURN) != 0
        follows = ~(anew | gap | turn)
        spacings = self._spacings + np.cumsum(follows)
        spacing_ns = self._spacing_ns + np.cumsum(np.where(follows, mono, 0))
        self._spacings, self._spacing_ns = int(spacings[-1]), int(spacing_ns[-1])
        tau0_ns = np.where(
            spacings > 0,
            spacing_ns / np.maximum(spacings, 1),
            np.maximum(columns.gate_s * NS_PER_S, 1.0),
        )
        places = np.clip(np.rint(mono / tau0_ns) - 1, 1, REACH)
        places = np.where(turn, 1, places)
        missing = np.where((gap | turn) & ~anew, places, 0).astype(np.int64)
        return anew, missing

    def _feed_line(self, columns: Columns, shifted: Array) -> None:
        """Fit piece by piece: each segment has a monotonic clock of its own."""
        turns = np.flatnonzero(np.diff(columns.segment)) + 1
        for start, end in _pieces(turns, len(columns)):
            mono = columns.mono_ns[start:end]
            zero_s = self._time_of(columns, start)
            t = zero_s + (mono - mono[0]) / NS_PER_S
            self._line.feed(t, shifted[start:end])
            self._last = _Last(
                int(columns.segment[end - 1]),
                int(mono[-1]),
                float(columns.gate_s[end - 1]),
                float(t[-1]),
            )

    def _time_of(self, columns: Columns, at: int) -> float:
        """Return seconds since the first reading; across segments by UTC."""
        last = self._last
        if last is None:
            return 0.0
        if last.segment == columns.segment[at]:
            return last.t_s + (int(columns.mono_ns[at]) - last.mono_ns) / NS_PER_S
        if self._first_utc_ns >= 0 and columns.utc_ns[at] >= 0:
            return (int(columns.utc_ns[at]) - self._first_utc_ns) / NS_PER_S
        return last.t_s + float(columns.gate_s[at])

    def _feed_octaves(
        self, shifted: Array, breaks: NDArray[np.bool_], missing: NDArray[np.int64]
    ) -> None:
        for start, end in _pieces(np.flatnonzero(breaks), len(shifted)):
            if breaks[start]:
                self._octaves.start_block()
            self._octaves.feed(shifted[start:end], missing[start:end])

    def _feed_rest(self, columns: Columns, shifted: Array) -> None:
        self._low = min(self._low, float(shifted.min()))
        self._high = max(self._high, float(shifted.max()))
        self._last_utc_ns = int(columns.utc_ns[-1])
        self._suspect += int(np.count_nonzero(columns.flags & Flag.SUSPECT))
        self._far += int(np.count_nonzero(columns.flags & Flag.FAR))
        self._simulated |= bool(np.any(columns.flags & Flag.SIMULATED))
        self._ambient.feed(columns.ambient_c, columns.flags)

    def stats(self) -> RunStats:
        """Return the figures as they stand; of nothing, the empty ones."""
        last, line = self._last, self._line
        if last is None:
            return RunStats(n_settling=self._settling)
        scale = self.divider / self.nominal_hz * 1e6
        base_hz = self._reference_hz - self.nominal_hz / self.divider
        ambient, n = self._ambient, line.n
        deviation = math.sqrt(line.rss / (n - 2)) if n > 2 else None
        turns = self._turn_stats(scale, last.gate_s)
        avar = self._avar(scale, bridged=False)
        bridges = self._octaves.broken and turns is None
        return RunStats(
            n=n,
            gaps=self._gaps,
            first_utc_ns=self._first_utc_ns if self._first_utc_ns >= 0 else None,
            last_utc_ns=self._last_utc_ns if self._last_utc_ns >= 0 else None,
            span_s=last.t_s + self._first_gate_s,
            tau0_s=self._tau0_s(),
            gate_s=last.gate_s,
            mean_hz=(self._reference_hz + line.mean_y) * self.divider,
            offset_ppm=(base_hz + line.mean_y) * scale,
            slope_ppm_per_s=line.slope * scale if line.s_tt > 0 else None,
            jitter_ppm_rms=None if deviation is None else deviation * scale,
            jitter_ppm_pp=(self._high - self._low) * scale,
            min_ppm=(base_hz + self._low) * scale,
            max_ppm=(base_hz + self._high) * scale,
            avar=avar,
            bridged=self._avar(scale, bridged=True) if bridges else avar,
            phase_blocks=self._octaves.blocks.found(scale) if turns is None else None,
            ambient_mean_c=ambient.total.mean(ambient.n) if ambient.n else None,
            ambient_min_c=ambient.low if ambient.n else None,
            ambient_max_c=ambient.high if ambient.n else None,
            n_ambient=ambient.n,
            n_typed_ambient=ambient.typed,
            n_suspect=self._suspect,
            n_far=self._far,
            simulated=self._simulated,
            n_settling=self._settling,
            turns=turns,
        )

    def _turn_stats(self, scale: float, gate_s: float) -> TurnStats | None:
        turns, spacing_s = self._turns, self._turns.spacing_s
        if turns.turns < 2:
            return None
        spacing_s = spacing_s or turns.usual * gate_s
        octaves = turns.octaves
        avar = _points(octaves, scale, spacing_s, bridged=False)
        return TurnStats(
            turns=turns.turns,
            gates=turns.usual,
            spacing_s=spacing_s,
            live_share=min(1.0, turns.usual * gate_s / spacing_s),
            avar=avar,
            bridged=_points(octaves, scale, spacing_s, bridged=True)
            if octaves.broken
            else avar,
            phase_blocks=octaves.blocks.found(scale),
        )

    def _tau0_s(self) -> float | None:
        if self._spacings:
            return self._spacing_ns / self._spacings / NS_PER_S
        gate_s = self._last.gate_s if self._last else 0.0
        return gate_s or None

    def _avar(self, scale: float, *, bridged: bool) -> tuple[AvarPoint, ...]:
        return _points(self._octaves, scale, self._tau0_s() or 0.0, bridged=bridged)


def are_frequencies(hz: Array) -> bool:
    """Whether all are finite and above zero; extremes of NaN are NaN, which is not."""
    if len(hz) == 1:
        return 0.0 < float(hz[0]) < math.inf
    return not len(hz) or bool(0.0 < hz.min() <= hz.max() < math.inf)


def _follow_plainly(columns: Columns, last: _Last) -> bool:
    """Whether nothing is missing or changes from the last reading on: for speed."""
    mono = columns.mono_ns
    return bool(
        not np.any(columns.flags & _BREAK_FLAGS)
        and np.all(columns.segment == last.segment)
        and np.all(columns.gate_s == last.gate_s)
        and mono[0] > last.mono_ns
        and np.all(mono[1:] > mono[:-1])
    )


def _points(
    octaves: Octaves, scale: float, tau0_s: float, *, bridged: bool
) -> tuple[AvarPoint, ...]:
    found = []
    for total in octaves.sums:
        pairs = total.bridged_pairs if bridged else total.pairs
        squares = total.bridged_squares if bridged else total.squares
        if pairs:
            avar = squares.hi * scale**2 / (2.0 * pairs * total.m**2)
            found.append(AvarPoint(total.m, total.m * tau0_s, pairs, avar))
    return tuple(found)


def _pieces(turns: NDArray[np.int64], n: int) -> list[tuple[int, int]]:
    """Cut 0 ... n before each of `turns`."""
    starts = [0, *(int(turn) for turn in turns if turn > 0)]
    return list(zip(starts, [*starts[1:], n], strict=True))
