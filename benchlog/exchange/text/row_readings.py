"""Readings out of what the lines of a foreign file say: time, gaps, the frequency.

What the file says is kept: where the stored frequency is not exactly what a line says
(another unit, fractional or phase data, more digits than a float has) the line's own
text goes into `raw`.

Phase data are time errors x at instants t; the mean frequency over an interval follows
from two of them, f = f0 (1 + (x1 - x0)/(t1 - t0)) (IEEE Std 1139). It is a derivation,
so `raw` holds both x as they were written, and each x is kept as a phase point, too: a
frequency near f0 has lost the last digits of x. None is derived across a gap.
"""

import math
from collections.abc import Iterable, Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.exchange.import_options import ColumnMeaning
from benchlog.exchange.text.kept_texts import kept_texts
from benchlog.exchange.text.layout import Layout
from benchlog.exchange.text.plain_blocks import PlainLines
from benchlog.exchange.text.text_rows import LineProblem, Value, problem
from benchlog.model import Flag, PhasePoint, Reading
from benchlog.store.reading_block import ReadingBlock
from benchlog.units import NS_PER_S, as_stated

_GAP: Final = 1.5
"""Time stamps further apart than this many usual spacings have a gap between them."""
_LONGEST_GATE_S: Final = 100.0
"""Counters seldom gate longer; readings further apart are samples, not gapless."""
_NO_CLOCK_HZ: Final = 1e18
"""Far beyond any clock source; the squares that figures are made of stay finite."""
Made = Reading | PhasePoint | LineProblem
_IMPORTED: Final = Flag.IMPORTED
_AFTER_GAP: Final = Flag.IMPORTED | Flag.GAP_BEFORE
_INT64: Final = 2**63


def gate_of(layout: Layout, wanted: ColumnMeaning) -> tuple[float, str]:
    """Return the gate in s, and how it was found where nobody said it."""
    if wanted.gate_s is not None:
        return wanted.gate_s, ""
    if layout.spacing_ns:
        gate_s = layout.spacing_ns / NS_PER_S
        if gate_s > _LONGEST_GATE_S:
            return gate_s, (
                f"one reading every {as_stated(gate_s)} s: that long a gate is "
                "unlikely, but "
                "nothing says what it was; give it with --gate-s"
            )
        return (
            gate_s,
            f"gate time taken as the spacing of the time stamps, {as_stated(gate_s)} s",
        )
    return 1.0, f"no gate time given, and {_no_times(layout)}"


def _no_times(layout: Layout) -> str:
    if layout.time is not None:
        return "no two times to take it from: a gate of 1 s assumed"
    if layout.unused is not None:
        column = layout.unused + 1
        return f"column {column} not used as time: 1 s between readings assumed"
    return "no time stamps: 1 s between readings assumed"


class Assembler:
    """Makes a reading of each value, or of each two where they are phases."""

    def __init__(self, layout: Layout, wanted: ColumnMeaning) -> None:
        self._wanted = wanted
        self._gate_s, _ = gate_of(layout, wanted)
        self._gate_ns = round(self._gate_s * NS_PER_S)
        self._is_dated = layout.kind is not None and layout.kind.dated
        self._longest_ns = _GAP * (layout.spacing_ns or self._gate_ns)
        self._index = -1
        self._zero_ns: int | None = None
        self._last_ns: int | None = None
        self._last: Value | None = None
        self._broken = False
        self._restarted = False

    def readings(self, values: Iterable[Value | LineProblem]) -> Iterator[Made]:
        """Yield readings in the order of the lines, and problems as they are.

        Of phase data each point, and behind it the reading that it ends.
        """
        make = self._interval if self._wanted.data == "phase" else self._reading
        for value in values:
            self._index += 1
            if isinstance(value, LineProblem):
                self._broken = True
                yield value
                continue
            for made in make(value):
                self._broken = self._broken or isinstance(made, LineProblem)
                yield made

    def block(self, lines: PlainLines) -> ReadingBlock | None:
        """Return the readings of many lines, as `readings` would make them.

        None where one of them would give none, and of phase data: then nothing has
        happened, and the lines are to be given to `readings`.
        """
        if self._wanted.data == "phase":
            return None
        mono_ns = self._mono_of(lines)
        if self._wanted.data == "frequency":
            hertz = lines.number
        else:
            with np.errstate(over="ignore"):
                hertz = self._wanted.nominal_hz * (1.0 + lines.number)
        if mono_ns is None or not bool(np.all((hertz > 0) & (hertz < _NO_CLOCK_HZ))):
            return None
        if self._wanted.data == "frequency":
            raw = kept_texts(lines, hertz)
        else:
            raw = list(lines.data.tokens())
        if self._zero_ns is None and lines.stamp_ns is not None:
            self._zero_ns = int(lines.stamp_ns[0]) if self._is_dated else 0
        self._index += len(lines)
        return ReadingBlock(
            utc_ns=lines.stamp_ns if self._is_dated else None,
            mono_ns=mono_ns,
            gate_s=self._gate_s,
            frequency_hz=hertz,
            ambient_c=lines.ambient_c,
            flags=self._flags_of(mono_ns),
            raw=raw if any(raw) else None,
        )

    def _mono_of(self, lines: PlainLines) -> NDArray[np.int64] | None:
        """Return when the values were taken, None where time does not increase."""
        count, stamps = len(lines), lines.stamp_ns
        if stamps is None:
            begin, end = self._index + 1, self._index + 1 + count
            if end * self._gate_ns >= _INT64:
                return None
            return np.arange(begin, end, dtype=np.int64) * self._gate_ns
        zero_ns = self._zero_ns
        if zero_ns is None:
            zero_ns = int(stamps[0]) if self._is_dated else 0
        last_ns = self._last_ns
        first_ns, end_ns = int(stamps[0]) - zero_ns, int(stamps[-1]) - zero_ns
        if not -_INT64 <= first_ns <= end_ns < min(_INT64, first_ns + _INT64):
            return None
        if np.any(stamps[1:] <= stamps[:-1]):
            return None
        if last_ns is not None and first_ns <= last_ns:
            return None
        found: NDArray[np.int64] = stamps - zero_ns
        return found

    def _flags_of(self, mono_ns: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the flags of what was taken at those times, and move on."""
        flags = np.full(len(mono_ns), int(_IMPORTED), np.int64)
        # whole numbers are compared: a float has not all digits of a long time
        flags[1:][np.diff(mono_ns) > math.floor(self._longest_ns)] = int(_AFTER_GAP)
        flags[0] = int(self._flags(int(mono_ns[0])))
        self._last_ns = int(mono_ns[-1])
        return flags

    def _reading(self, value: Value) -> tuple[Reading | LineProblem]:
        mono_ns = self._mono_ns(value)
        if mono_ns is None:
            return (problem(value.line, "its time does not increase"),)
        if self._wanted.data == "frequency":
            hertz = value.number
            raw = None if repr(hertz) == value.token else value.token
        else:
            hertz = self._wanted.nominal_hz * (1.0 + value.number)
            raw = value.token
        flags = self._flags(mono_ns)
        return (self._made(value, (mono_ns, self._gate_s, hertz, raw), flags),)

    def _interval(self, value: Value) -> tuple[Made, ...]:
        mono_ns = self._mono_ns(value)
        if mono_ns is None:
            return (problem(value.line, "its time does not increase"),)
        before, before_ns = self._last, self._last_ns
        point = self._point(value, mono_ns, self._flags(mono_ns))
        self._last = value
        if before is None or before_ns is None:
            return (point,)
        if point.flags is _AFTER_GAP:
            self._restarted = True
            return (point,)
        flags = _AFTER_GAP if self._restarted else _IMPORTED
        self._restarted = False
        step_s = (mono_ns - before_ns) / NS_PER_S
        y = (value.number - before.number) / step_s
        raw = f"{before.token} {value.token}"
        hertz = self._wanted.nominal_hz * (1.0 + y)
        made = self._made(value, (mono_ns, step_s, hertz, raw), flags)
        return (made,) if isinstance(made, LineProblem) else (point, made)

    def _point(self, value: Value, mono_ns: int, flags: Flag) -> PhasePoint:
        utc_ns = value.stamp_ns if self._is_dated else None
        raw = None if repr(value.number) == value.token else value.token
        return PhasePoint(utc_ns, mono_ns, value.number, flags, raw)

    def _mono_ns(self, value: Value) -> int | None:
        """Return when the value was taken, None when time does not increase."""
        if value.stamp_ns is None:
            return self._index * self._gate_ns
        if self._zero_ns is None:
            self._zero_ns = value.stamp_ns if self._is_dated else 0
        mono_ns = value.stamp_ns - self._zero_ns
        if self._last_ns is not None and mono_ns <= self._last_ns:
            return None
        return mono_ns

    def _flags(self, mono_ns: int) -> Flag:
        """Return the flags of what was taken at that time, and move on to it."""
        before_ns, is_broken = self._last_ns, self._broken
        self._last_ns, self._broken = mono_ns, False
        if before_ns is None:
            return _IMPORTED
        is_gap = is_broken or mono_ns - before_ns > self._longest_ns
        return _AFTER_GAP if is_gap else _IMPORTED

    def _made(
        self, value: Value, found: tuple[int, float, float, str | None], flags: Flag
    ) -> Reading | LineProblem:
        mono_ns, gate_s, hertz, raw = found
        if not 0 < hertz < _NO_CLOCK_HZ:
            said = "above zero" if hertz <= 0 else "one that a clock can have"
            return problem(value.line, f"its frequency is not {said}")
        utc_ns = value.stamp_ns if self._is_dated else None
        return Reading(utc_ns, mono_ns, gate_s, hertz, value.ambient_c, flags, raw)
