"""What a device did along each drive, and along time: points to be drawn."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.changes import changes_from
from benchlog.analysis.characteristics.dips import Dip, activity_dips
from benchlog.analysis.characteristics.points import Points
from benchlog.errors import DataError
from benchlog.model import Drive, Part, QualificationPlan
from benchlog.model.sequences import DRIVE_UNITS
from benchlog.units import SECONDS_PER_DAY
from benchlog.verdict.rack.device_view import Base, DevicePoint, DeviceView

Array = NDArray[np.float64]
POWER: Final = "time since power on"
TIME: Final = "time"
_APART: Final = 1e-6  # our rule: places nearer than that in their unit are one
_POINTS_A_WAY: Final = 3
"""Points from which on a way up or down is a curve of its own; our rule."""
_DAY_AT_LEAST: Final = 1.0
"""Days from which on the reference points are a curve over time; our rule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """The points of a device along one drive or along time.

    Parameters
    ----------
    along : str
        A drive, `POWER` or `TIME`.
    unit : str
        Of `at`: the drive's, s since power was switched on, or days.
    at : array, shape (n,)
        Places, in the order in which they were measured.
    ppm, u_ppm : array, shape (n,)
        Offset there and half its 95 % interval, without what all points share. Along
        a drive it is the change from the reference points where there are any, as
        `relative` tells.
    way : array of int, shape (n,)
        +1 for a rising temperature, -1 for a falling one, 0 for neither; all 0 unless
        both ways have enough points to be two curves.
    dips : tuple of Dip
        Activity dips that are believed.

    """

    along: str
    unit: str
    at: Array
    ppm: Array
    u_ppm: Array
    way: NDArray[np.int64]
    relative: bool
    dips: tuple[Dip, ...] = ()


def curves(
    plan: QualificationPlan, part: Part, points: Sequence[DevicePoint], base: Base
) -> tuple[Curve, ...]:
    """Return the curves for which a device has points at two places at least."""
    device = DeviceView(plan, part, points, base)
    try:
        found = [
            *(_along(device, drive) for drive in Drive),
            _since_power(device),
            _over_days(device),
        ]
    except DataError:  # no turn has two readings: there is nothing to be drawn yet
        return ()
    return tuple(one for one in found if one is not None)


def _along(device: DeviceView, drive: Drive) -> Curve | None:
    def which(point: DevicePoint) -> bool:
        return (
            device.measured(point)
            and device.at_reference(point, drive)
            and drive in point.step.state
        )

    points = device.points(which, drive)
    if not len(points) or float(np.ptp(points.at)) < _APART:
        return None
    if drive is Drive.TEMPERATURE and float(np.ptp(points.at)) < 1.0:
        return None  # a chamber that is held is no sweep
    way = np.array([device.direction(p) for p in device.ran if which(p)], np.int64)
    reference = device.points(
        lambda p: device.measured(p) and device.at_reference(p), drive
    )
    drawn = changes_from(points, reference) if len(reference) else points
    return Curve(
        along=str(drive),
        unit=DRIVE_UNITS[drive],
        at=drawn.at,
        ppm=drawn.offset_ppm,
        u_ppm=_half(drawn),
        way=way if _are_two(way) and drive is Drive.TEMPERATURE else 0 * way,
        relative=bool(len(reference)),
        dips=_dips(device, points) if drive is Drive.TEMPERATURE else (),
    )


def _dips(device: DeviceView, points: Points) -> tuple[Dip, ...]:
    if "activity-dips" not in device.plan.finds:
        return ()
    try:
        return activity_dips(points).dips
    except DataError:
        return ()


def _are_two(way: NDArray[np.int64]) -> bool:
    return min(int((way == 1).sum()), int((way == -1).sum())) >= _POINTS_A_WAY


def _since_power(device: DeviceView) -> Curve | None:
    since = [one for one in device.ran if one.turn.since_power_s is not None]
    if not since or not any(one.step.scan_s for one in since):
        return None
    points = device.points(lambda p: p.turn.since_power_s is not None)
    at = np.array([one.turn.since_power_s for one in since], np.float64)
    return _over(POWER, "s", at, points)


def _over_days(device: DeviceView) -> Curve | None:
    points = device.points(lambda p: device.measured(p) and device.at_reference(p))
    days = (points.t_s - points.t_s[:1]) / SECONDS_PER_DAY
    if len(points) < 2 or float(np.ptp(days)) < _DAY_AT_LEAST:
        return None
    return _over(TIME, "days", days, points)


def _over(along: str, unit: str, at: Array, points: Points) -> Curve | None:
    if len(points) < 2:
        return None
    return Curve(
        along=along,
        unit=unit,
        at=at,
        ppm=points.offset_ppm,
        u_ppm=_half(points),
        way=np.zeros(len(points), np.int64),
        relative=False,
    )


def _half(points: Points) -> Array:
    return points.coverage_factor() * points.u_ppm
