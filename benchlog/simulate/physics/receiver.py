"""A satellite receiver as physics: pulses on the second, sawtooth, dropouts, sentences.

Its pulse can only leave on an edge of its own clock, so it comes up to half a period of
that clock early or late: a sawtooth, slow when the clock is near a multiple of a hertz.
Without a fix the pulses go on, by that clock alone, and the sentences say so.
"""

import math
import random
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import reduce
from operator import xor
from typing import Final

from benchlog.simulate.physics.oscillator import OscillatorSpec
from benchlog.units import NS_PER_S

_MODE_FIXED: Final = "A"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverSpec:
    """A receiver with a pulse per second.

    Parameters
    ----------
    sawtooth_s : float
        Peak to peak, one period of its clock.
    sawtooth_step : float
        How far the sawtooth gets from pulse to pulse, as a fraction of itself.
    jitter_s : float
        Standard deviation of each pulse besides.
    missed, doubled : float
        Shares of pulses that do not come, or come twice.
    free_ppm : float
        Offset of its own clock, by which it pulses while it has no fix.
    dropouts : tuple of (from_s, to_s)
        When it has no fix, in s since the bench was switched on.
    stated_s : float
        Standard uncertainty of a pulse that its maker states (for the bench file).

    """

    sawtooth_s: float = 20e-9
    sawtooth_step: float = 0.137
    jitter_s: float = 5e-9
    missed: float = 0.0
    doubled: float = 0.0
    free_ppm: float = 1.5
    dropouts: tuple[tuple[float, float], ...] = ()
    stated_s: float = 5e-8


@dataclass(frozen=True, slots=True)
class Tick:
    """One second of a receiver: when its pulse truly leaves, and whether it is fixed.

    `pulses_s` are seconds since the bench was switched on: none for a missed pulse,
    two for a doubled one.
    """

    second: int
    pulses_s: tuple[float, ...]
    fix: bool


@dataclass(slots=True)
class Receiver:
    """A receiver on the bench; the same second is the same for everybody who asks."""

    spec: ReceiverSpec
    seed: str
    _dropouts: list[tuple[float, float]] = field(default_factory=list)
    _guard: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        self._dropouts.extend(self.spec.dropouts)

    def lose_fix(self, from_s: float, for_s: float) -> None:
        """Lose the fix for a while."""
        with self._guard:
            self._dropouts.append((from_s, from_s + for_s))

    def fixed(self, at_s: float) -> bool:
        """Whether it has a fix at that time."""
        return self._unfixed_since(at_s) is None

    def tick(self, second: int) -> Tick:
        """Return what happens at one whole second."""
        rng = random.Random(f"{self.seed}/{second}")  # noqa: S311 - physics
        unfixed_since = self._unfixed_since(second)
        error_s = self.error_s(second) + self.spec.jitter_s * rng.gauss()
        if unfixed_since is not None:
            error_s -= (second - unfixed_since) * self.spec.free_ppm * 1e-6
        draw, at_s = rng.random(), second + error_s
        if draw < self.spec.missed:
            pulses: tuple[float, ...] = ()
        elif draw < self.spec.missed + self.spec.doubled:
            pulses = (at_s, at_s + rng.uniform(0.001, 0.5))
        else:
            pulses = (at_s,)
        return Tick(second, pulses, unfixed_since is None)

    def error_s(self, at_s: float) -> float:
        """Return the sawtooth at the pulse before `at_s`."""
        turned = math.floor(at_s) * self.spec.sawtooth_step % 1.0
        return self.spec.sawtooth_s * (turned - 0.5)

    def _unfixed_since(self, at_s: float) -> float | None:
        with self._guard:
            spans = list(self._dropouts)
        return next((begin for begin, end in spans if begin <= at_s < end), None)


class PulsedInput:
    """A receiver's output as a counter sees it: a device of 1 Hz with a sawtooth."""

    def __init__(self, receiver: Receiver, seed: str) -> None:
        self.spec = OscillatorSpec(nominal_hz=1.0)
        self._receiver = receiver
        self._rng = random.Random(seed)  # noqa: S311 - physics, no secret

    def excess_s(self, at_ns: int) -> float:
        """Return by how much the last pulse came early, as an oscillator's phase."""
        at_s = at_ns / NS_PER_S
        jitter_s = self._receiver.spec.jitter_s * self._rng.gauss()
        return jitter_s - self._receiver.error_s(at_s)

    def mean_hz(self, excess_s: float, gate_s: float) -> float:
        """Return pulses over the time they took; some are missing or come twice."""
        periods = max(1, round(gate_s))
        draw, spec = self._rng.random() / periods, self._receiver.spec
        factor = 1.0
        if draw < spec.missed:
            factor = periods / (periods + 1)
        elif draw < spec.missed + spec.doubled:
            factor = (periods + 1) / periods
        return factor * (1.0 + excess_s / gate_s)


def sentences(utc_ns: int, *, fix: bool) -> Iterator[bytes]:
    """Yield what a receiver says of one second: GGA, RMC and ZDA."""
    at = datetime.fromtimestamp(utc_ns // NS_PER_S, UTC)
    clock, day = f"{at:%H%M%S}.00", f"{at:%d%m%y}"
    place = "0000.0000,N,00000.0000,E" if fix else ",,,"
    quality, used = ("1", "09") if fix else ("0", "00")
    yield _sentence(f"GPGGA,{clock},{place},{quality},{used},1.0,0.0,M,0.0,M,,")
    status, mode = ("A", _MODE_FIXED) if fix else ("V", "N")
    yield _sentence(f"GPRMC,{clock},{status},{place},0.0,0.0,{day},,,{mode}")
    yield _sentence(f"GPZDA,{clock},{at:%d,%m,%Y},00,00")


def _sentence(body: str) -> bytes:
    return f"${body}*{reduce(xor, body.encode()):02X}\r\n".encode()
