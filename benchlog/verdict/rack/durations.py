"""How long a sequence will take, by a thermal model of chamber and devices.

The chamber goes at its rate to where it is sent. The devices follow it as a body with
one time constant. A point has settled when what is left of that moves the frequency
more slowly than the sequence's rule allows, by the part's law, for a whole window.
"""

import math
from collections.abc import Sequence as Listed
from dataclasses import dataclass
from typing import Final

from benchlog.analysis.laws import ppm_at
from benchlog.model import Drive, Part, SettledRule
from benchlog.verdict.rack.planned_steps import PlannedStep
from benchlog.verdict.run.part_law import part_law

_MINUTE_S: Final = 60.0  # definition
_NEAR_C: Final = 0.5  # our rule: the slope of a law is taken over twice as much


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalModel:
    """What a rack is taken for, as long as nothing has been measured.

    `rate_c_per_min` is the chamber's own, `lag_s` the time constant of the devices,
    `begin_c` the temperature before the first step. `turn_s` is what one device takes
    for each scan beside its gates, `gate_s` a gate; `at_once` is how many devices are
    measured at the same time.
    """

    rate_c_per_min: float = 3.0
    lag_s: float = 300.0
    begin_c: float = 23.0
    gate_s: float = 1.0
    turn_s: float = 0.5
    devices: int = 1
    at_once: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedStep:
    """When a step is expected to begin, and what its parts take; bench seconds."""

    planned: PlannedStep
    begin_s: float
    ramp_s: float
    settle_s: float
    wait_s: float
    scan_s: float

    @property
    def whole_s(self) -> float:
        """From its begin to its end."""
        return self.ramp_s + self.settle_s + self.wait_s + self.scan_s

    @property
    def end_s(self) -> float:
        """When the next one may begin."""
        return self.begin_s + self.whole_s


def expected_steps(
    planned: Listed[PlannedStep], rule: SettledRule, part: Part, model: ThermalModel
) -> tuple[ExpectedStep, ...]:
    """Return each step of a plan with what it will take."""
    found: list[ExpectedStep] = []
    at_c, now_s, loop_s = model.begin_c, 0.0, 0.0
    for one in planned:
        if one.pass_ == 0 and (not found or found[-1].planned.pass_ is None):
            loop_s = now_s
        if one.pass_ is not None:
            now_s = max(now_s, loop_s + one.not_before_s)
        to_c = one.state.get(Drive.TEMPERATURE, at_c)
        ramp_s = _ramp_s(to_c - at_c, one.step.ramp_per_min, model)
        left_c = _left_c(to_c - at_c, ramp_s, model.lag_s)
        steep = left_c * _slope(part, to_c) / model.lag_s * _MINUTE_S
        found.append(
            ExpectedStep(
                planned=one,
                begin_s=now_s,
                ramp_s=ramp_s,
                settle_s=_settle_s(steep, one, rule, model.lag_s),
                wait_s=0.0 if one.step.anew else one.step.wait_s,
                scan_s=_scan_s(one, model),
            )
        )
        at_c, now_s = to_c, found[-1].end_s
    return tuple(found)


def _ramp_s(by_c: float, asked: float | None, model: ThermalModel) -> float:
    rate = model.rate_c_per_min if asked is None else min(asked, model.rate_c_per_min)
    return abs(by_c) / rate * _MINUTE_S


def _left_c(by_c: float, ramp_s: float, lag_s: float) -> float:
    """Return how far the devices are behind at the end of a ramp.

    A body behind a ramp: rate * tau * (1 - exp(-t / tau)); textbook, from memory.
    """
    if ramp_s <= 0:
        return 0.0
    return abs(by_c) / ramp_s * lag_s * -math.expm1(-ramp_s / lag_s)


def _settle_s(
    steep_ppm_per_min: float, one: PlannedStep, rule: SettledRule, lag_s: float
) -> float:
    """Return how long devices take to settle after the ramp, at most as allowed."""
    if not one.step.settle:
        return 0.0
    ratio = steep_ppm_per_min / rule.device_ppm_per_min
    decays = math.log(ratio) if ratio > 1 else 0.0
    return min(lag_s * decays + rule.window_s, one.step.at_most_s)


def _slope(part: Part, at_c: float) -> float:
    """Return how steep the part's law is at a temperature, in ppm/C, 0 if unknown."""
    law = part_law(part)
    if law is None:
        return 0.0
    ends = (ppm_at(law.law, at_c + sign * _NEAR_C) for sign in (1, -1))
    high, low = ends
    return abs(high - low) / (2 * _NEAR_C) + law.slope_ppm_per_c


def _scan_s(one: PlannedStep, model: ThermalModel) -> float:
    """Return what measuring takes: each turn of each device, or as long as stated."""
    if not one.step.gates:
        return 0.0
    if one.step.anew:  # one after the other; what runs is seen with the first gate
        each_s = one.step.wait_s + one.step.gates * model.gate_s + model.turn_s
        return model.devices * each_s
    turns = math.ceil(model.devices / model.at_once)
    scan_s = turns * (one.step.gates * model.gate_s + model.turn_s)
    return max(scan_s, one.step.scan_s or 0.0)
