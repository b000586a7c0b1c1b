"""What a qualification found of one device, beside what its data sheet promises."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.changes import (
    changes_from,
    largest,
    steepest,
)
from benchlog.analysis.characteristics.dips import activity_dips
from benchlog.analysis.characteristics.hysteresis import hysteresis
from benchlog.analysis.characteristics.points import Found, Points
from benchlog.analysis.characteristics.pulling import absolute_pull_range, pulling
from benchlog.analysis.characteristics.wander import Wander, wanders
from benchlog.analysis.fitting.ageing import ageing, year_ahead
from benchlog.errors import DataError
from benchlog.model import Decision, Part, QualificationPlan
from benchlog.units import SECONDS_PER_DAY, as_stated
from benchlog.verdict.rack.device_view import (
    Base,
    DevicePoint,
    DeviceView,
    in_order,
)
from benchlog.verdict.rack.power_findings import retrace_of, start_up_of, warm_up_of
from benchlog.verdict.run.budget import BudgetLine, budget_of
from benchlog.verdict.run.decision import word_for, worst

Array = NDArray[np.float64]
_SAME: Final = 1e-9  # places that are one; definition


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundCharacteristic:
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


def characteristics(
    plan: QualificationPlan, part: Part, points: Sequence[DevicePoint], base: Base
) -> tuple[FoundCharacteristic, ...]:
    """Return what a sequence finds, in its own order.

    What could not be found is a line of its own with the reason; where something is
    promised, it is undecided.
    """
    device = DeviceView(plan, part, points, base)
    return tuple(_line(name, device) for name in plan.finds if name in _FINDERS)


def rack_wander(
    plan: QualificationPlan, part: Part, rack: Sequence[Sequence[DevicePoint]]
) -> tuple[Wander | None, ...]:
    """Return how restless each device of a rack is; None for those without a sweep."""
    if "hysteresis" not in plan.finds:
        return (None,) * len(rack)
    sweeps = [DeviceView(plan, part, points, Base()).sweep() for points in rack]
    told = iter(wanders([one for one in sweeps if one is not None]))
    return tuple(None if one is None else next(told) for one in sweeps)


def undecided(
    found: Sequence[FoundCharacteristic], why: str
) -> tuple[FoundCharacteristic, ...]:
    """Return the same with no verdict but undecided where something is promised."""
    return tuple(
        line
        if line.verdict is None
        else replace(
            line,
            verdict=Decision.UNDECIDED,
            text="; ".join(filter(None, (line.text, why))),
        )
        for line in found
    )


def verdict_of(found: Sequence[FoundCharacteristic]) -> Decision:
    """Return the worst verdict of what was promised; undecided where nothing was."""
    words = [one.verdict for one in found if one.verdict is not None]
    return worst(*words) if words else Decision.UNDECIDED


def _line(name: str, device: DeviceView) -> FoundCharacteristic:
    finder, unit = _FINDERS[name]
    limit = device.limit(name)
    try:
        found = finder(device)
    except DataError as error:
        verdict = None if limit is None else Decision.UNDECIDED
        return FoundCharacteristic(
            name=name,
            value=None,
            u=None,
            unit=unit,
            limit=limit,
            verdict=verdict,
            text=str(error),
        )
    verdict = None if limit is None else _word(name, found, limit)
    left_out = _left_out(name, device, found.at)
    if left_out and verdict is Decision.PASS:
        verdict = Decision.UNDECIDED
    return FoundCharacteristic(
        name=name,
        value=found.value,
        u=found.u,
        unit=found.unit,
        limit=limit,
        verdict=verdict,
        at=found.at,
        text="; ".join(filter(None, (found.text, left_out))),
    )


LARGEST_OVER: Final = {
    "frequency-temperature": ("temperature", "C"),
    "hysteresis": ("temperature", "C"),
    "supply": ("supply", "V"),
    "load": ("load", "pF"),
}
"""Our rule: characteristics that are the largest over a drive; what was not measured
can be larger, so that they pass only when every place of the plan was."""


def _left_out(name: str, device: DeviceView, at: float | None) -> str:
    """Return which places of the plan a largest value does not know; empty: none."""
    if name not in LARGEST_OVER:
        return ""
    drive, unit = LARGEST_OVER[name]
    places = device.not_measured(drive)
    if not places:
        return ""
    named = ", ".join(as_stated(one, 3) for one in places[:3])
    more = f" and {len(places) - 3} more places" if len(places) > 3 else ""
    seen = "" if at is None else f"largest seen at {as_stated(at, 3)} {unit}; "
    return f"{seen}not measured at {named} {unit}{more}"


AT_LEAST: Final = frozenset({"adjustment-range", "absolute-pull-range"})
"""Characteristics whose limit is the least that is promised."""


def _word(name: str, found: Found, limit: float) -> Decision:
    """Decide by guarded acceptance; of some, the limit is the least promised."""
    if name not in AT_LEAST:
        return word_for(found.value, found.u, limit)
    if found.value - found.u >= limit:
        return Decision.PASS
    return Decision.FAIL if found.value + found.u < limit else Decision.UNDECIDED


# --- one function for each characteristic


def _offset(device: DeviceView) -> Found:
    """Return the first point at reference conditions, and all it may be off by."""
    points = device.points(lambda p: device.measured(p) and device.at_reference(p))
    if not len(points):
        raise DataError("no point was measured at reference conditions")
    first = int(np.argmin(points.t_s))
    of_place = _law_slope(device) * math.hypot(
        device.u_c, float(points.at[first]) - device.part.limits.reference_c
    )
    u_ppm, freedom = float(points.u_ppm[first]), points.degrees_of_freedom
    noise = BudgetLine(name="noise", u_ppm=u_ppm, degrees_of_freedom=freedom)
    place = BudgetLine(name="place", u_ppm=of_place)
    u = budget_of((noise, *device.base.timebase, place)).expanded_ppm
    value = float(points.offset_ppm[first])
    return Found(value=value, u=u, unit="ppm", at=float(points.at[first]))


def _law_slope(device: DeviceView) -> float:
    """Return the slope at the reference temperature, from the points if they tell."""
    try:
        points = device.over_temperature()
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


def _temperature_changes(device: DeviceView) -> Points:
    """Return changes from the reference temperature, the probe's u with them.

    A probe that is off by e puts both points off by e, each times its own slope. A
    place whose air differs the more, the further the chamber is from the room, puts off
    the point alone. Nobody tells the two apart: the larger one counts.
    """
    changes = changes_from(device.over_temperature(), device.reference_points())
    reference_c = device.part.limits.reference_c
    away = np.abs(changes.at - reference_c) > 1.0
    slopes = _slopes(changes)
    at_reference = float(np.interp(reference_c, *in_order(changes.at, slopes)))
    moved = np.maximum(np.abs(slopes), np.abs(slopes - at_reference))
    u = np.hypot(changes.u_ppm, moved * device.u_c)
    return replace(changes, u_ppm=u).only(away)


def _slopes(points: Points) -> Array:
    """Return the slope at each point, from its neighbours in temperature."""
    at, ppm = in_order(points.at, points.offset_ppm)
    places, group = np.unique(np.round(at, 0), return_inverse=True)
    if len(places) < 2:
        return np.zeros(len(points))
    means = np.bincount(group, weights=ppm) / np.bincount(group)
    slope = np.gradient(means, places)
    return np.asarray(np.interp(points.at, places, slope))


def _frequency_temperature(device: DeviceView) -> Found:
    return largest(_temperature_changes(device))


def _slope(device: DeviceView) -> Found:
    """Return the steepest slope; places are as uncertain as the probe."""
    points = device.over_temperature()
    of_place = np.abs(_slopes(points)) * device.u_c
    points = replace(points, u_ppm=np.hypot(points.u_ppm, of_place))
    return steepest(points, device.ways())


def _hysteresis(device: DeviceView) -> Found:
    sweep = device.sweep()
    if sweep is None:
        raise DataError("hysteresis needs points on the way up and on the way down")
    return hysteresis(sweep, device.base.wander)


def _dips(device: DeviceView) -> Found:
    """Return the deepest dip; where none is found, how deep one could be in 95 %."""
    search = activity_dips(device.evenly_weighted())
    if search.least_ppm is not None:
        wide = as_stated(search.wide_c, 2)
        text = f"none found; a dip of U, {wide} C wide, would be (95 %)"
        return Found(value=0.0, u=search.least_ppm, unit="ppm", text=text)
    deepest = search.dips[0]
    others = ", ".join(f"{as_stated(one.at_c, 3)} C" for one in search.dips)
    return Found(
        value=abs(deepest.size_ppm),
        u=deepest.u_ppm,
        unit="ppm",
        at=deepest.at_c,
        text=f"{len(search.dips)} found: {others}",
    )


def _change(drive: str) -> Callable[[DeviceView], Found]:
    """Return the finder of the largest change with one drive."""

    def find(device: DeviceView) -> Found:
        wanted = device.reference(drive)

        def away(p: DevicePoint) -> bool:
            at = p.step.state.get(drive)
            return at is not None and wanted is not None and abs(at - wanted) > _SAME

        measured = device.points(
            lambda p: device.measured(p) and device.at_reference(p, drive) and away(p),
            drive,
        )
        return largest(changes_from(measured, device.reference_points()))

    return find


def _control(device: DeviceView) -> tuple[Points, Points]:
    swept = device.points(
        lambda p: (
            device.measured(p)
            and device.at_reference(p, "control")
            and "control" in p.step.state
        ),
        "control",
    )
    return swept, device.reference_points()


def _adjustment(device: DeviceView) -> Found:
    return pulling(*_control(device)).least


def _linearity(device: DeviceView) -> Found:
    return pulling(*_control(device)).linearity


def _absolute(device: DeviceView) -> Found:
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


def _ageing(device: DeviceView) -> Found:
    points = device.reference_points()
    days = (points.t_s - points.t_s[:1]) / SECONDS_PER_DAY
    laws = ageing(days, points.offset_ppm)
    low, high, told = year_ahead(laws)
    said = f"in the year after {as_stated(float(days[-1]), 3)} days, {told}"
    half, value = (high - low) / 2, (high + low) / 2
    return Found(value=value, u=half, unit="ppm/year", text=f"{said}; {laws[0].choice}")


_FINDERS: Final[dict[str, tuple[Callable[[DeviceView], Found], str]]] = {
    "offset-at-reference": (_offset, "ppm"),
    "frequency-temperature": (_frequency_temperature, "ppm"),
    "temperature-slope": (_slope, "ppm/C"),
    "hysteresis": (_hysteresis, "ppm"),
    "activity-dips": (_dips, "ppm"),
    "start-up": (start_up_of, "s"),
    "warm-up": (warm_up_of, "s"),
    "retrace": (retrace_of, "ppm"),
    "supply": (_change("supply"), "ppm"),
    "load": (_change("load"), "ppm"),
    "adjustment-range": (_adjustment, "ppm"),
    "linearity": (_linearity, "%"),
    "absolute-pull-range": (_absolute, "ppm"),
    "ageing": (_ageing, "ppm/year"),
}
