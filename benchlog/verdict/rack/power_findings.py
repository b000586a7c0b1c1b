"""What switching its power found of a device: start-up, warm-up, retrace."""

from dataclasses import replace
from typing import Final

import numpy as np

from benchlog.analysis.characteristics.over_time import (
    Looks,
    retrace,
    start_up,
    started_between,
    warm_up,
)
from benchlog.analysis.characteristics.points import Found, Points
from benchlog.errors import DataError
from benchlog.units import as_stated
from benchlog.verdict.rack.device_view import DeviceView

_TOP: Final = 0.25  # of the tolerance, where no warm-up is promised; our rule


def start_up_of(device: DeviceView) -> Found:
    """Return it from where it was switched on for this device alone, if it was."""
    alone = [one.turn for one in device.all if one.step.anew]
    if alone and (started_s := alone[-1].started_s) is not None:
        return started_between(*started_s)
    if alone:
        how = "gave a signal without power" if alone[-1].ran else "did not start"
        raise DataError(f"it {how} when it was looked at alone")
    looks = [one for one in device.all if one.turn.since_power_s is not None]
    if not looks:
        raise DataError("power was never switched on")
    times = np.array([one.turn.since_power_s for one in looks], np.float64)
    return start_up(Looks(t_s=times, ran=np.array([one.turn.ran for one in looks])))


def warm_up_of(device: DeviceView) -> Found:
    """Return the time from power on to within the band of its value after an hour."""
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


def retrace_of(device: DeviceView) -> Found:
    """Return what a time without power has changed, at reference conditions.

    Where other conditions were measured, too, its text says that they are not in it.
    """
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

    before, after = side(False), side(True)
    if not len(before) or not len(after):
        raise DataError(
            "retrace needs a step at reference conditions before and one after the "
            "time without power"
        )
    reference_c = device.part.limits.reference_c
    found = replace(retrace(before, after), at=reference_c)
    if not any(device.measured(p) and not device.at_reference(p) for p in device.ran):
        return found
    where = f"at {as_stated(reference_c)} C; what changed at other places is not in it"
    return replace(found, text=where)
