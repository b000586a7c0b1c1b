"""A device in a chamber: what a qualification looks for, with a known truth.

    y(t) = oscillator of its body's temperature + hysteresis + activity dips
           + supply + load + control voltage + warm-up + retrace

Hysteresis depends on the way its temperature went, warm-up and retrace on when it had
power. Orders (power, voltages, loads) are remembered with their time.
"""

import bisect
import math
import random
import threading
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from benchlog.simulate.physics.chamber import Chamber
from benchlog.simulate.physics.oscillator import Oscillator, OscillatorSpec
from benchlog.simulate.physics.room import Room, Supply

_STEP_S: Final = 20.0  # our rule: bodies take minutes
_MOST_STEPS: Final = 2_000  # our rule: bounds the time of a look after a long pause
_FORGETS_S: Final = 6 * 3600.0
"""Time without power after which most of a retrace has come about; our rule, invented:
crystals take hours to days."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DipSpec:
    """A narrow departure from the law: `depth_ppm` at `at_c`, a bell of this width."""

    at_c: float
    depth_ppm: float
    width_c: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RackDeviceSpec:
    """What a device does beside following temperature.

    Parameters
    ----------
    oscillator : OscillatorSpec
        Offset, law, lag, noise, ageing; and its sensitivity to the supply.
    hysteresis_ppm : float
        Largest difference between rising and falling temperature.
    hysteresis_c : float
        How far temperature must go the other way for most of it.
    dips : tuple of DipSpec
    load_pf, load_ppm_per_pf : float
        Where it is specified, and how it follows its load.
    control_v, pull_ppm_per_v, bend_ppm_per_v2 : float
        Where it is specified, and how it follows its control voltage.
    start_s : float
        From power on to a signal.
    warm_ppm, warm_s : float
        How far off it is at power on, and how fast that goes.
    retrace_ppm : float
        Standard deviation of what a long time without power changes.

    """

    oscillator: OscillatorSpec
    hysteresis_ppm: float = 0.0
    hysteresis_c: float = 15.0
    dips: tuple[DipSpec, ...] = ()
    load_pf: float = 10.0
    load_ppm_per_pf: float = 0.0
    control_v: float = 1.5
    pull_ppm_per_v: float = 0.0
    bend_ppm_per_v2: float = 0.0
    start_s: float = 0.0
    warm_ppm: float = 0.0
    warm_s: float = 30.0
    retrace_ppm: float = 0.0


@dataclass(slots=True)
class Ordered:
    """A quantity that is set from time to time, in the order of time."""

    begin: float
    times: list[float] = field(default_factory=list)
    values: list[float] = field(default_factory=list)

    def set(self, value: float, at_s: float) -> None:
        """Set it from `at_s` on."""
        self.times.append(at_s)
        self.values.append(value)

    def at(self, at_s: float) -> float:
        """Return what it was at a time."""
        turned = bisect.bisect_right(self.times, at_s)
        return self.values[turned - 1] if turned else self.begin


class RackDevice(Oscillator):
    """One device at a place of a chamber."""

    def __init__(
        self,
        spec: RackDeviceSpec,
        chamber: Chamber,
        place: int,
        seed: str,
        surroundings: tuple[Room, Supply],
    ) -> None:
        super().__init__(spec.oscillator, *surroundings, seed)
        self.rack_spec = spec
        self._chamber, self._place = chamber, place
        self._drawn = random.Random(f"{seed}/retrace")  # noqa: S311 - physics
        self._state_lock = threading.Lock()
        self._way_s, self._way = 0.0, 0.0
        self._way_c = self.body_c(0.0)
        self.volts = Ordered(spec.oscillator.supply_v)
        self.load = Ordered(spec.load_pf)
        self.control = Ordered(spec.control_v)
        self._power: list[tuple[float, bool, float]] = [(-math.inf, True, 0.0)]

    def body_c(self, at_s: float) -> float:
        """Return the temperature of the device itself."""
        return self._chamber.body_c(at_s, self._place, self.spec.lag_s)

    def switch(self, on: bool, at_s: float) -> None:
        """Switch it on or off; what a time without power changed is drawn at once."""
        since, was_on, retraced = self._power[-1]
        if on == was_on:
            return
        if on:
            forgot = -math.expm1(-(at_s - since) / _FORGETS_S)
            retraced += self.rack_spec.retrace_ppm * forgot * self._drawn.gauss()
        self._power.append((at_s, on, retraced))

    def runs(self, at_s: float) -> bool:
        """Tell whether it puts out a signal."""
        since, on, _ = self._power_at(at_s)
        return on and at_s >= since + self.rack_spec.start_s

    def settled_ppm(self, air_c: float, way: float = 0.0) -> float:
        """Return its offset without noise, warmed up, when the air has settled.

        `way` is +1 on the way up and -1 on the way down, far from the turn.
        """
        body_c = self._chamber.at_place_c(air_c, self._place)
        now = self.spec.offset_ppm + self._law_ppm(body_c)
        return now + way * self.rack_spec.hysteresis_ppm / 2

    def _power_at(self, at_s: float) -> tuple[float, bool, float]:
        found = self._power[0]
        for one in self._power[1:]:
            if one[0] > at_s:
                break
            found = one
        return found

    def _law_ppm(self, body_c: float) -> float:
        """Return what temperature does: the law and the dips."""
        dipped = sum(
            dip.depth_ppm * math.exp(-0.5 * ((body_c - dip.at_c) / dip.width_c) ** 2)
            for dip in self.rack_spec.dips
        )
        return self._ppm_at(body_c) - dipped

    def _y(self, at_s: float) -> float:
        """Fractional frequency beyond the stated offset, without noise."""
        return self._ppm(at_s, self.body_c(at_s)) * 1e-6

    def offset_with_body_at(self, body_c: float, at_s: float) -> float:
        """Return the offset in ppm, without noise, that it had with its body there.

        Everything else is as it was at `at_s`: the branch of its hysteresis, supply,
        load, control voltage, age.
        """
        return self.spec.offset_ppm + self._ppm(at_s, body_c)

    def _ppm(self, at_s: float, body_c: float) -> float:
        """Return what it is off by beyond the stated offset, without noise."""
        spec = self.rack_spec
        ppm = self._law_ppm(body_c) + self._steps.at(at_s) + self._ageing_ppm(at_s)
        ppm += spec.hysteresis_ppm / 2 * self._way_at(at_s)
        ppm += self.spec.supply_ppm_per_v * (self.volts.at(at_s) - self.spec.supply_v)
        ppm += spec.load_ppm_per_pf * (self.load.at(at_s) - spec.load_pf)
        pulled = self.control.at(at_s) - spec.control_v
        ppm += (spec.pull_ppm_per_v + spec.bend_ppm_per_v2 * pulled) * pulled
        since, _, retraced = self._power_at(at_s)
        if spec.warm_ppm and since > -math.inf:
            ppm += spec.warm_ppm * math.exp(-(at_s - since) / spec.warm_s)
        return ppm + retraced

    def _way_at(self, at_s: float) -> float:
        """Return how far it is on the rising branch: +1 fully, -1 on the falling one.

        Followed step by step from the last look; an earlier look sees the last state.
        """
        with self._state_lock:
            left_s = at_s - self._way_s
            if left_s > 0:
                steps = min(_MOST_STEPS, max(1, math.ceil(left_s / _STEP_S)))
                times_s = self._way_s + left_s * np.arange(1, steps + 1) / steps
                bodies_c = self._chamber.bodies_c(times_s, self._place, self.spec.lag_s)
                for now_c in bodies_c.tolist():
                    moved = now_c - self._way_c
                    kept = math.exp(-abs(moved) / self.rack_spec.hysteresis_c)
                    side = math.copysign(1.0, moved) if moved else 0.0
                    self._way = side + (self._way - side) * kept if moved else self._way
                    self._way_c = now_c
                self._way_s = at_s
            return self._way
