"""One clock source as physics: what frequency it has, and the phase it has gained.

    y(t) = offset + temperature law(body) + supply + ageing + steps + noise

The body follows the room through a first-order lag. `Oscillator.excess_s` is the phase
gained beyond the stated offset, so that the mean frequency over a gate is exact even
where the phase itself has become large.
"""

import math
import random
import threading
from dataclasses import dataclass, field
from typing import Final

from benchlog.analysis.laws import ageing_ppm, ppm_at
from benchlog.model import TemperatureLaw
from benchlog.simulate.physics.noise import Noise, NoiseProcess
from benchlog.simulate.physics.room import (
    Push,
    Pushes,
    Room,
    Supply,
)
from benchlog.units import NS_PER_S, SECONDS_PER_DAY

# _LONGEST_PIECE_S, _SHORT_S, _MOST_PIECES: our rule: rooms move slowly; bounds time.
_LONGEST_PIECE_S: Final = 60.0
_SHORT_S: Final = 0.1
_MOST_PIECES: Final = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class OscillatorSpec:
    """What a clock source is.

    Parameters
    ----------
    nominal_hz : float
        What is printed on it, in Hz.
    offset_ppm : float
        What it has when switched on at `law.reference_c` and `supply_v`.
    law : TemperatureLaw
        How it follows the temperature of its body.
    lag_s : float
        Time constant with which the body follows the room.
    supply_v, supply_ppm_per_v : float
        The supply it is specified at, and how it follows it.
    ageing_a_ppm, ageing_b_per_day, age_days : float
        A and B of A ln(B t + 1), and how long it has run before.
    noise : Noise
        Allan deviations at 1 s.
    low_v, high_v : float
        What it puts out; a trigger level outside sees no signal.

    """

    nominal_hz: float
    offset_ppm: float = 0.0
    law: TemperatureLaw = field(default=TemperatureLaw(law="line", reference_c=25.0))
    lag_s: float = 30.0
    supply_v: float = 3.3
    supply_ppm_per_v: float = 0.0
    ageing_a_ppm: float = 0.0
    ageing_b_per_day: float = 0.1
    age_days: float = 30.0
    noise: Noise = field(default=Noise())
    low_v: float = 0.0
    high_v: float = 3.3


class Oscillator:
    """A clock source running on a bench; looked at in the order of time.

    Any number of threads may look. A look at an earlier time than the last one is
    answered from the frequency held then, without noise of its own.
    """

    def __init__(
        self, spec: OscillatorSpec, room: Room, supply: Supply, seed: str
    ) -> None:
        self.spec = spec
        self._room, self._supply = room, supply
        self._noise = NoiseProcess(spec.noise, random.Random(seed))  # noqa: S311
        self._warmth = Pushes()
        self._steps = Pushes()
        self._lock = threading.Lock()
        self._at_ns = 0
        self._phase_s = 0.0
        self._look_s = 0.0

    def excess_s(self, at_ns: int) -> float:
        """Return the phase in s gained by `at_ns` beyond the stated offset.

        `at_ns` counts from the start of the bench. (excess(b) - excess(a)) / (b - a)
        + offset is the mean fractional frequency from a to b.
        """
        with self._lock:
            dt_s = (at_ns - self._at_ns) / NS_PER_S
            if dt_s <= 0:
                return self._phase_s + self._look_s + dt_s * self._y(at_ns / NS_PER_S)
            self._phase_s += self._drift_s(self._at_ns / NS_PER_S, dt_s)
            self._phase_s += self._noise.step(dt_s)
            self._look_s = self._noise.look()
            self._at_ns = at_ns
            return self._phase_s + self._look_s

    def mean_hz(self, excess_s: float, gate_s: float) -> float:
        """Return the true mean frequency over a gate that gained `excess_s`."""
        y = self.spec.offset_ppm * 1e-6 + excess_s / gate_s
        return self.spec.nominal_hz * (1.0 + y)

    def body_c(self, at_s: float) -> float:
        """Return the temperature of the device itself."""
        lag_s = self.spec.lag_s
        room_c = self._room.temperature_c(at_s, lag_s)
        return room_c + self._warmth.at(at_s, lag_s)

    def warm(self, by_c: float, at_s: float, for_s: float = math.inf) -> None:
        """Put something warmer (or colder) on it, for a while."""
        self._warmth.add(Push(at_s, by_c, at_s + for_s))

    def step(self, by_ppm: float, at_s: float) -> None:
        """Jump, as after a knock."""
        self._steps.add(Push(at_s, by_ppm))

    def true_ppm(self, at_s: float) -> float:
        """Return the offset it has without noise, for a truth to compare with."""
        return self.spec.offset_ppm + self._y(at_s) * 1e6

    def _y(self, at_s: float) -> float:
        """Fractional frequency beyond the stated offset, without noise."""
        spec = self.spec
        ppm = self._ppm_at(self.body_c(at_s)) + self._steps.at(at_s)
        if spec.supply_ppm_per_v:
            ppm += spec.supply_ppm_per_v * (self._supply.volts(at_s) - spec.supply_v)
        return (ppm + self._ageing_ppm(at_s)) * 1e-6

    def _ppm_at(self, body_c: float) -> float:
        """Return what its law makes of a body's temperature."""
        return ppm_at(self.spec.law, body_c)

    def _ageing_ppm(self, at_s: float) -> float:
        """Return how far it has aged since the bench was switched on."""
        if not self.spec.ageing_a_ppm:
            return 0.0
        return self._aged_ppm(at_s) - self._aged_ppm(0.0)

    def _aged_ppm(self, at_s: float) -> float:
        days = self.spec.age_days + at_s / SECONDS_PER_DAY
        return ageing_ppm(self.spec.ageing_a_ppm, self.spec.ageing_b_per_day, days)

    def _drift_s(self, from_s: float, dt_s: float) -> float:
        """Integrate `_y`: Simpson's rule over a minute, the midpoint over a short gate.

        Bodies take seconds to move, so within 0.1 s the midpoint is as good.
        """
        if dt_s <= _SHORT_S:
            return dt_s * self._y(from_s + dt_s / 2)
        pieces = min(_MOST_PIECES, max(1, math.ceil(dt_s / _LONGEST_PIECE_S)))
        h = dt_s / pieces
        total, left = 0.0, self._y(from_s)
        for k in range(pieces):
            begin = from_s + k * h
            right = self._y(begin + h)
            total += h / 6 * (left + 4 * self._y(begin + h / 2) + right)
            left = right
        return total
