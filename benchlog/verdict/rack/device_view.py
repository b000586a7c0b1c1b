"""The points of one device in a rack, in the ways in which characteristics see them."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.dips import activity_dips
from benchlog.analysis.characteristics.lag import Approach, still_away
from benchlog.analysis.characteristics.points import PointMeans, Points, means_of_turns
from benchlog.analysis.characteristics.sweep import Sweep
from benchlog.analysis.characteristics.wander import Wander
from benchlog.errors import DataError
from benchlog.model import Part, QualificationPlan, StepRecord, Turn
from benchlog.units import NS_PER_S
from benchlog.verdict.run.budget import BudgetLine

Array = NDArray[np.float64]
_SAME: Final = 1e-9  # places that are one; definition
_ASSUMED_U_C: Final = 0.5  # of a probe that states nothing; our rule, as elsewhere
_SHORTEST_S: Final = 1e-6  # our rule: no turn of two gates is shorter
_RECTANGLE: Final = math.sqrt(3.0)  # definition: half width to standard uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class DevicePoint:
    """One turn of a device: its step, its offsets in ppm, the probe then.

    `approach` has the readings while it settled, those of the turn among them.
    """

    turn: Turn
    step: StepRecord
    offsets_ppm: Array
    ambient_c: float | None
    t_s: float
    approach: Approach


@dataclass(frozen=True, slots=True, kw_only=True)
class Base:
    """What all points of a device share: lines of the time base, the probe's u.

    `wander` is how restless the device is between turns, as its rack tells.
    """

    timebase: tuple[BudgetLine, ...] = ()
    thermometer_u_c: float | None = None
    wander: Wander | None = None


class DeviceView:
    """The points of one device, in the ways in which characteristics look at them."""

    def __init__(
        self,
        plan: QualificationPlan,
        part: Part,
        points: Sequence[DevicePoint],
        base: Base,
    ) -> None:
        self.plan, self.part, self.base = plan, part, base
        self.all = points
        self.ran = [one for one in points if len(one.offsets_ppm)]

    # --- what is promised

    def limit(self, name: str) -> float | None:
        """Return what the data sheet promises of a characteristic; None: nothing."""
        limits = self.part.limits
        promised = {
            "offset-at-reference": limits.tolerance_ppm,
            "frequency-temperature": limits.stability_ppm,
            "hysteresis": limits.hysteresis_ppm,
            "start-up": limits.start_up_s,
            "warm-up": limits.warm_up_s,
            "retrace": limits.retrace_ppm,
            "supply": limits.supply_ppm,
            "load": limits.load_ppm,
            "adjustment-range": limits.pull_ppm,
            "linearity": limits.linearity_percent,
            "absolute-pull-range": None if limits.pull_ppm is None else 0.0,
            "ageing": limits.ageing_ppm_per_year,
        }
        return promised.get(name)

    # --- points

    def points(self, which: Callable[[DevicePoint], bool], at: str = "") -> Points:
        """Return some points, placed by drive `at`, else by temperature."""
        means = self._means
        kept = [k for k, one in enumerate(self.ran) if which(one)]
        u_ppm = np.hypot(means.u_ppm, self._lag_ppm)[kept]
        return Points(
            t_s=np.array([self.ran[k].t_s for k in kept]),
            at=np.array([self._place(self.ran[k], at) for k in kept]),
            offset_ppm=means.ppm[kept],
            u_ppm=u_ppm,
            degrees_of_freedom=means.degrees_of_freedom,
            flicker_ppm=means.flicker_ppm,
            turn_s=self._turn_s,
        )

    def over_temperature(self) -> Points:
        """Return the points at which only temperature is away from its reference."""
        return self.points(self._swept)

    def sweep(self) -> Sweep | None:
        """Return its way down and up over temperature; None where nothing was swept."""
        way = self.ways()
        if not way:
            return None
        try:
            dips = activity_dips(self.evenly_weighted()).dips
        except DataError:
            dips = ()
        return Sweep(self.over_temperature(), way, dips)

    def ways(self) -> list[int]:
        """Return on which way each point over temperature was, as `Sweep` has it."""
        return [self.direction(one) for one in self.ran if self._swept(one)]

    def evenly_weighted(self) -> Points:
        """Return the same with u of their noise alone, for what is seen beside a law.

        What lag leaves is as smooth as the law. What noise makes of it in some points
        would take their weight, and a dip there could not be seen.
        """
        points, u_ppm = self.over_temperature(), self._means.u_ppm
        kept = [k for k, one in enumerate(self.ran) if self._swept(one)]
        return replace(points, u_ppm=u_ppm[kept])

    def _swept(self, one: DevicePoint) -> bool:
        return self.measured(one) and self.at_reference(one, "temperature")

    def reference_points(self) -> Points:
        """Return the points at reference conditions."""
        return self.points(lambda p: self.measured(p) and self.at_reference(p))

    def measured(self, one: DevicePoint) -> bool:
        """Tell whether a point is one of a step that measures settled devices."""
        return one.step.gates > 0 and one.step.scan_s is None

    def not_measured(self, drive: str) -> list[float]:
        """Return where the plan moves this drive alone, and no turn has readings."""
        done = {one.step.index for one in self.ran}
        wanted = self.reference(drive)
        places = {
            step.state[drive]
            for step in self.plan.steps
            if step.gates > 0
            and step.scan_s is None
            and step.index not in done
            and drive in step.state
            and self._stands_at_reference(step, drive)
        }
        return sorted(p for p in places if wanted is None or abs(p - wanted) > _SAME)

    def at_reference(self, one: DevicePoint, but: str = "") -> bool:
        """Tell whether all drives but one stand where the part promises its figures."""
        return self._stands_at_reference(one.step, but)

    def _stands_at_reference(self, step: StepRecord, but: str) -> bool:
        return step.powered and all(
            self._is_reference(drive, value)
            for drive, value in step.state.items()
            if drive != but
        )

    def _is_reference(self, drive: str, value: float) -> bool:
        wanted = self.reference(drive)
        return wanted is None or abs(value - wanted) < _SAME

    def reference(self, drive: str) -> float | None:
        """Return where a drive stands at reference conditions."""
        part = self.part
        stated = {
            "temperature": part.limits.reference_c,
            "supply": None if part.supply is None else part.supply.nominal_v,
            "control": None if part.control is None else part.control.nominal_v,
            "load": part.load.load_pf,
        }
        return stated.get(drive)

    def direction(self, one: DevicePoint) -> int:
        """Return +1 on the way up, -1 on the way down, 0 at the first and at a stay."""
        before = [
            step.state["temperature"]
            for step in self.plan.steps[: one.step.index]
            if "temperature" in step.state
        ]
        here = one.step.state.get("temperature")
        if not before or here is None:
            return 0
        return int(np.sign(here - before[-1]))

    def _place(self, one: DevicePoint, at: str) -> float:
        if at and at != "temperature":
            return float(one.step.state.get(at, math.nan))
        if one.ambient_c is not None:
            return one.ambient_c
        return float(one.step.state.get("temperature", 0.0))

    @cached_property
    def _lag_ppm(self) -> Array:
        """Return u of how far points were still away; what noise makes is none."""
        away, doubt = still_away([one.approach for one in self.ran])
        return np.sqrt(np.maximum(0.0, away**2 - doubt**2)) / _RECTANGLE

    @cached_property
    def _turn_s(self) -> float:
        """Return how long a turn takes, usually."""
        turns = [one.turn for one in self.ran if len(one.offsets_ppm) >= 2]
        lasted_ns = [turn.took_ns for turn in turns]
        return max(float(np.median(lasted_ns)) / NS_PER_S, _SHORTEST_S)

    @cached_property
    def _means(self) -> PointMeans:
        return means_of_turns([one.offsets_ppm for one in self.ran])

    @property
    def u_c(self) -> float:
        """Standard uncertainty of the probe, assumed where nobody states it."""
        stated = self.base.thermometer_u_c
        return _ASSUMED_U_C if stated is None else stated


def in_order(at: Array, values: Array) -> tuple[Array, Array]:
    """Return places in order, and values likewise."""
    order = np.argsort(at)
    return at[order], values[order]
