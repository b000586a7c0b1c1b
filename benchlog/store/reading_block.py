"""Readings on their way into the store as arrays, many at once."""

import math
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from benchlog.model import Flag, Reading

Whole = NDArray[np.int64]
Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingBlock:
    """Readings that follow one another, as arrays of equal length.

    All have one gate. `utc_ns` is None where there are no time stamps; `ambient_c` is
    None, or NaN, where it is unknown; `raw` is None where no reading has a text, which
    is never empty.
    """

    utc_ns: Whole | None
    mono_ns: Whole
    gate_s: float
    frequency_hz: Real
    ambient_c: Real | None
    flags: Whole
    raw: list[str | None] | None

    def __len__(self) -> int:
        return len(self.mono_ns)

    def is_sound(self) -> bool:
        """Whether its numbers are within what the table of readings holds."""
        hertz, ambient_c = self.frequency_hz, self.ambient_c
        return (
            0 <= self.gate_s < math.inf
            and bool(np.all((hertz > 0) & (hertz < np.inf)))
            and (ambient_c is None or not np.any(np.isinf(ambient_c)))
        )

    def part(self, begin: int, end: int) -> Self:
        """Return the readings from `begin` on, up to before `end`."""
        cut = slice(begin, end)
        return type(self)(
            utc_ns=None if self.utc_ns is None else self.utc_ns[cut],
            mono_ns=self.mono_ns[cut],
            gate_s=self.gate_s,
            frequency_hz=self.frequency_hz[cut],
            ambient_c=None if self.ambient_c is None else self.ambient_c[cut],
            flags=self.flags[cut],
            raw=None if self.raw is None else self.raw[cut],
        )

    def followed_by(self, other: Self) -> Self:
        """Return these and others behind them, of the same gate, as one.

        Both have time stamps, or neither.
        """
        utc_ns = ambient_c = raw = None
        if self.utc_ns is not None and other.utc_ns is not None:
            utc_ns = np.append(self.utc_ns, other.utc_ns)
        if self.ambient_c is not None or other.ambient_c is not None:
            ambient_c = np.append(self._ambient(), other._ambient())
        if self.raw is not None or other.raw is not None:
            raw = [
                *(self.raw or [None] * len(self)),
                *(other.raw or [None] * len(other)),
            ]
        return type(self)(
            utc_ns=utc_ns,
            mono_ns=np.append(self.mono_ns, other.mono_ns),
            gate_s=self.gate_s,
            frequency_hz=np.append(self.frequency_hz, other.frequency_hz),
            ambient_c=ambient_c,
            flags=np.append(self.flags, other.flags),
            raw=raw,
        )

    def _ambient(self) -> Real:
        if self.ambient_c is None:
            return np.full(len(self), np.nan)
        return self.ambient_c

    def readings(self) -> list[Reading]:
        """Return its readings one by one."""
        none: list[None] = [None] * len(self)
        flags_of = {one: Flag(one) for one in set(self.flags.tolist())}
        columns = zip(
            none if self.utc_ns is None else self.utc_ns.tolist(),
            self.mono_ns.tolist(),
            self.frequency_hz.tolist(),
            none if self.ambient_c is None else self.ambient_c.tolist(),
            self.flags.tolist(),
            self.raw or none,
            strict=True,
        )
        return [
            Reading(
                utc,
                mono,
                self.gate_s,
                hertz,
                None if c is None or math.isnan(c) else c,
                flags_of[f],
                raw,
            )
            for utc, mono, hertz, c, f, raw in columns
        ]
