"""What a qualification found of one device, beside what its data sheet promises."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.changes import (
    changes_from,
    hysteresis,
    largest,
    steepest,
)
from benchlog.analysis.characteristics.dips import activity_dips
from benchlog.analysis.characteristics.over_time import (
    Looks,
    retrace,
    start_up,
    warm_up,
)
from benchlog.analysis.characteristics.points import Found, Points, means_of_turns
from benchlog.analysis.characteristics.pulling import absolute_pull_range, pulling
from benchlog.analysis.fitting.ageing import ageing
from benchlog.errors import DataError
from benchlog.model import Decision, Part, QualificationPlan, StepRecord, Turn
from benchlog.units import SECONDS_PER_DAY, as_stated
from benchlog.verdict.run.decision import word_for, worst

Array = NDArray[np.float64]
_SAME: Final = 1e-9  # places that are one; definition
_DAYS_PER_YEAR: Final = 365.25  # definition: the Julian year
_ASSUMED_U_C: Final = 0.5  # of a probe that states nothing, as everywhere here
_LAG_MIN: Final = 5.0
"""Minutes of its last drift that a point may still be away; our rule: a usual body's
time constant. What is left of an exponential is its slope times its time constant."""
_RECTANGLE: Final = math.sqrt(3.0)  # definition: half width to standard uncertainty
_NORMAL: Final = 1.96  # definition: of 95 %
_TOP: Final = 0.25  # of the offset band that warm-up is told to where none is promised


@dataclass(frozen=True, slots=True, kw_only=True)
class DevicePoint:
    """One turn of a device: its step, its offsets in ppm, the probe then."""

    turn: Turn
    step: StepRecord
    offsets_ppm: Array
    ambient_c: float | None
    t_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Characteristic:
    """One line of the result; `verdict` None where nothing is promised.

    `u` is half the 95 % interval, in `unit`; both are None where nothing could be
    found, and `text` tells why. `at` is where it was found.
    """

    name: str
    value: float | None
    u: float | None
    unit: str
    limit: float | None = None
    verdict: Decision | None = None
    at: float | None = None
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Base:
    """What all points of a device share: the time base's u, the thermometer's."""

    timebase_u_ppm: float
    thermometer_u_c: float | None = None


def characteristics(
    plan: QualificationPlan, part: Part, points: Sequence[DevicePoint], base: Base
) -> tuple[Characteristic, ...]:
    """Return what a sequence finds, in its own order.

    What could not be found is a line of its own with the reason; where something is
    promised, it is undecided.
    """
    device = _Device(plan, part, points, base)
    return tuple(_line(name, device) for name in plan.finds if name in _FINDERS)


def verdict_of(found: Sequence[Characteristic]) -> Decision:
    """Return the worst verdict of what was promised; undecided where nothing was."""
    words = [one.verdict for one in found if one.verdict is not None]
    return worst(*words) if words else Decision.UNDECIDED


def _line(name: str, device: "_Device") -> Characteristic:
    finder, unit = _FINDERS[name]
    limit = device.limit(name)
    try:
        found = finder(device)
    except DataError as error:
        verdict = None if limit is None else Decision.UNDECIDED
        return Characteristic(
            name=name,
            value=None,
            u=None,
            unit=unit,
            limit=limit,
            verdict=verdict,
            text=str(error),
        )
    return Characteristic(
        name=name,
        value=found.value,
        u=found.u,
        unit=found.unit,
        limit=limit,
        verdict=None if limit is None else _word(name, found, limit),
        at=found.at,
        text=found.text,
    )


AT_LEAST: Final = frozenset({"adjustment-range", "absolute-pull-range"})
"""Characteristics whose limit is the least that is promised."""


def _word(name: str, found: Found, limit: float) -> Decision:
    """Decide by guarded acceptance; of some, the limit is the least promised."""
    if name not in AT_LEAST:
        return word_for(found.value, found.u, limit)
    if found.value - found.u >= limit:
        return Decision.PASS
    return Decision.FAIL if found.value + found.u < limit else Decision.UNDECIDED


class _Device:
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
        means, u, freedom = self._means()
        kept = [k for k, one in enumerate(self.ran) if which(one)]
        u_ppm = np.hypot(u[kept], [self._lag_ppm(self.ran[k]) for k in kept])
        return Points(
            t_s=np.array([self.ran[k].t_s for k in kept]),
            at=np.array([self._place(self.ran[k], at) for k in kept]),
            offset_ppm=means[kept],
            u_ppm=u_ppm,
            degrees_of_freedom=freedom,
        )

    def measured(self, one: DevicePoint) -> bool:
        """Tell whether a point is one of a step that measures settled devices."""
        return one.step.gates > 0 and one.step.scan_s is None

    def at_reference(self, one: DevicePoint, but: str = "") -> bool:
        """Tell whether all drives but one stand where the part promises its figures."""
        return one.step.powered and all(
            self._is_reference(drive, value)
            for drive, value in one.step.state.items()
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

    def _lag_ppm(self, one: DevicePoint) -> float:
        drift = one.turn.drift_ppm_per_min
        return 0.0 if drift is None else abs(drift) * _LAG_MIN / _RECTANGLE

    def _means(self) -> tuple[Array, Array, float]:
        return means_of_turns([one.offsets_ppm for one in self.ran])

    @property
    def u_c(self) -> float:
        """Standard uncertainty of the probe, assumed where nobody states it."""
        stated = self.base.thermometer_u_c
        return _ASSUMED_U_C if stated is None else stated


# --- one function for each characteristic


def _offset(device: _Device) -> Found:
    """Return the first point at reference conditions, and all it may be off by."""
    points = device.points(lambda p: device.measured(p) and device.at_reference(p))
    if not len(points):
        raise DataError("no point was measured at reference conditions")
    first = int(np.argmin(points.t_s))
    of_place = _law_slope(device) * math.hypot(
        device.u_c, float(points.at[first]) - device.part.limits.reference_c
    )
    u = math.hypot(
        points.coverage_factor() * float(points.u_ppm[first]),
        _NORMAL * device.base.timebase_u_ppm,
        _NORMAL * of_place,
    )
    value = float(points.offset_ppm[first])
    return Found(value=value, u=u, unit="ppm", at=float(points.at[first]))


def _law_slope(device: _Device) -> float:
    """Return the slope at the reference temperature, from the points if they tell."""
    try:
        points = _over_temperature(device)
    except DataError:
        return 0.0
    order = np.argsort(points.at)
    at, ppm = points.at[order], points.offset_ppm[order]
    if len(at) < 3 or np.ptp(at) < 10:
        return 0.0
    near = np.argsort(np.abs(at - device.part.limits.reference_c))[:3]
    if np.ptp(at[near]) < 1.0:
        near = np.argsort(np.abs(at - device.part.limits.reference_c))[:5]
    return abs(float(np.polyfit(at[near], ppm[near], 1)[0]))


def _over_temperature(device: _Device) -> Points:
    return device.points(
        lambda p: device.measured(p) and device.at_reference(p, "temperature")
    )


def _reference_points(device: _Device) -> Points:
    return device.points(lambda p: device.measured(p) and device.at_reference(p))


def _temperature_changes(device: _Device) -> Points:
    """Return changes from the reference temperature, the probe's u with them.

    A probe that is off by e puts both points off by e, each times its own slope.
    """
    changes = changes_from(_over_temperature(device), _reference_points(device))
    reference_c = device.part.limits.reference_c
    away = np.abs(changes.at - reference_c) > 1.0
    slopes = _slopes(changes)
    at_reference = float(np.interp(reference_c, *_sorted(changes.at, slopes)))
    u = np.hypot(changes.u_ppm, np.abs(slopes - at_reference) * device.u_c)
    return replace(changes, u_ppm=u).only(away)


def _sorted(at: Array, values: Array) -> tuple[Array, Array]:
    order = np.argsort(at)
    return at[order], values[order]


def _slopes(points: Points) -> Array:
    """Return the slope at each point, from its neighbours in temperature."""
    at, ppm = _sorted(points.at, points.offset_ppm)
    places, group = np.unique(np.round(at, 0), return_inverse=True)
    if len(places) < 2:
        return np.zeros(len(points))
    means = np.bincount(group, weights=ppm) / np.bincount(group)
    slope = np.gradient(means, places)
    return np.asarray(np.interp(points.at, places, slope))


def _frequency_temperature(device: _Device) -> Found:
    return largest(_temperature_changes(device))


def _slope(device: _Device) -> Found:
    return steepest(_over_temperature(device))


def _hysteresis(device: _Device) -> Found:
    def way(sign: int) -> Points:
        return device.points(
            lambda p: (
                device.measured(p)
                and device.at_reference(p, "temperature")
                and device.direction(p) == sign
            )
        )

    return hysteresis(way(1), way(-1))


def _dips(device: _Device) -> Found:
    points = _over_temperature(device)
    rising = np.array(
        [
            device.direction(p) >= 0
            for p in device.ran
            if device.measured(p) and device.at_reference(p, "temperature")
        ]
    )
    dips = activity_dips(points, rising)
    if not dips:
        return Found(value=0.0, u=0.0, unit="ppm", text="none found")
    deepest = dips[0]
    others = ", ".join(f"{as_stated(one.at_c, 3)} C" for one in dips)
    return Found(
        value=abs(deepest.size_ppm),
        u=deepest.u_ppm,
        unit="ppm",
        at=deepest.at_c,
        text=f"{len(dips)} found: {others}",
    )


def _start_up(device: _Device) -> Found:
    looks = [one for one in device.all if one.turn.since_power_s is not None]
    if not looks:
        raise DataError("power was never switched on")
    times = np.array([one.turn.since_power_s for one in looks], np.float64)
    return start_up(Looks(t_s=times, ran=np.array([one.turn.ran for one in looks])))


def _warm_up(device: _Device) -> Found:
    since = [one for one in device.ran if one.turn.since_power_s is not None]
    if not since:
        raise DataError("power was never switched on")
    last_s = max(one.turn.since_power_s or 0.0 for one in since)
    if last_s < 1800:
        raise DataError("it was watched for less than half an hour after power on")
    points = device.points(lambda p: p.turn.since_power_s is not None)
    times = np.array([one.turn.since_power_s for one in since], np.float64)
    points = replace(points, t_s=times)
    final = points.only(np.array([int(np.argmax(times))]))
    u = final.coverage_factor() * float(final.u_ppm[0])
    value = Found(value=float(final.offset_ppm[0]), u=u, unit="ppm")
    limits = device.part.limits
    band = limits.warm_up_ppm or _TOP * limits.tolerance_ppm
    found = warm_up(points.only(times < last_s), value, band)
    said = (
        f"to within {as_stated(band)} ppm of its value after {as_stated(last_s, 3)} s"
    )
    return replace(found, text=said)


def _retrace(device: _Device) -> Found:
    off = [step.index for step in device.plan.steps if not step.powered]
    if not off:
        raise DataError("power was never off")

    def side(late: bool) -> Points:
        return device.points(
            lambda p: (
                device.measured(p)
                and device.at_reference(p)
                and (p.step.index > off[0]) is late
            )
        )

    return retrace(side(False), side(True))


def _change(drive: str) -> Callable[["_Device"], Found]:
    """Return the finder of the largest change with one drive."""

    def find(device: _Device) -> Found:
        wanted = device.reference(drive)

        def away(p: DevicePoint) -> bool:
            at = p.step.state.get(drive)
            return at is not None and wanted is not None and abs(at - wanted) > _SAME

        measured = device.points(
            lambda p: device.measured(p) and device.at_reference(p, drive) and away(p),
            drive,
        )
        return largest(changes_from(measured, _reference_points(device)))

    return find


def _control(device: _Device) -> tuple[Points, Points]:
    swept = device.points(
        lambda p: (
            device.measured(p)
            and device.at_reference(p, "control")
            and "control" in p.step.state
        ),
        "control",
    )
    return swept, _reference_points(device)


def _adjustment(device: _Device) -> Found:
    return pulling(*_control(device)).least


def _linearity(device: _Device) -> Found:
    return pulling(*_control(device)).linearity


def _absolute(device: _Device) -> Found:
    """Return what tolerance, stability, supply, load and a year of ageing leave."""
    limits = device.part.limits
    promised = (
        limits.tolerance_ppm,
        limits.stability_ppm,
        limits.supply_ppm,
        limits.load_ppm,
        limits.ageing_ppm_per_year,
    )
    spent = math.fsum(one for one in promised if one is not None)
    return absolute_pull_range(_adjustment(device), spent)


def _ageing(device: _Device) -> Found:
    points = _reference_points(device)
    days = (points.t_s - points.t_s[:1]) / SECONDS_PER_DAY
    for law in ageing(days, points.offset_ppm):
        for one in law.coefficients:
            if one.name == "rate":
                half = (one.high - one.low) / 2 * _DAYS_PER_YEAR
                value = one.value * _DAYS_PER_YEAR
                said = f"over {as_stated(float(days[-1]), 3)} days; {law.choice}"
                return Found(value=value, u=half, unit="ppm/year", text=said)
    raise DataError("the drift could not be fitted")


_FINDERS: Final[dict[str, tuple[Callable[[_Device], Found], str]]] = {
    "offset-at-reference": (_offset, "ppm"),
    "frequency-temperature": (_frequency_temperature, "ppm"),
    "temperature-slope": (_slope, "ppm/C"),
    "hysteresis": (_hysteresis, "ppm"),
    "activity-dips": (_dips, "ppm"),
    "start-up": (_start_up, "s"),
    "warm-up": (_warm_up, "s"),
    "retrace": (_retrace, "ppm"),
    "supply": (_change("supply"), "ppm"),
    "load": (_change("load"), "ppm"),
    "adjustment-range": (_adjustment, "ppm"),
    "linearity": (_linearity, "%"),
    "absolute-pull-range": (_absolute, "ppm"),
    "ageing": (_ageing, "ppm/year"),
}
