"""U of a rack's characteristics: places that differ, a time base that is stated."""

import numpy as np
import pytest
from rack_scene import PART, plan_of
from seeds import seeded_generator

from benchlog.analysis.characteristics.lag import Approach
from benchlog.model import Decision, Timebase, Turn
from benchlog.verdict.rack.device_view import Base, DevicePoint, DeviceView
from benchlog.verdict.rack.findings import characteristics
from benchlog.verdict.run.budget import timebase_line

SLOPE = 0.01
"""ppm/C of a device with a straight law."""


def device(place_c, gates=20, scatter_ppm=1e-6, behind_ppm=0.0):
    """Take a straight device through five temperatures; `place_c(t)` is its place's.

    `behind_ppm` is what thermal lag had left of each step 300 s before its turn.
    """
    plan, rng, points = plan_of("temperature-five-points"), seeded_generator(1), []
    before_s = np.arange(300.0, 0.0, -30.0)
    for k, step in enumerate(plan.steps):
        here_c = step.state["temperature"]
        ppm = SLOPE * (place_c(here_c) - 25.0) + scatter_ppm * rng.normal(size=gates)
        turn = Turn(
            step=step.index,
            begin_utc_ns=k,
            end_utc_ns=k + 1,
            readings=gates,
            settled=True,
            ran=True,
            drift_ppm_per_min=0.0,
            since_power_s=None,
        )
        points.append(
            DevicePoint(
                turn=turn,
                step=step,
                offsets_ppm=ppm,
                ambient_c=here_c,
                t_s=1000.0 * k,
                approach=Approach(
                    before_s=before_s,
                    ppm=ppm[0] + behind_ppm * np.exp((before_s - 300.0) / 90.0),
                ),
            )
        )
    return plan, points


def found(place_c, base):
    plan, points = device(place_c)
    return {one.name: one for one in characteristics(plan, PART, points, base)}


@pytest.mark.parametrize(
    "place_c",
    [lambda c: c + 0.1, lambda c: c + 0.1 / 65 * (c - 25), lambda c: c - 0.1],
    ids=["all alike", "more the further from the room", "colder"],
)
def test_places_that_differ_from_the_probe_are_in_the_interval(place_c):
    """A straight law hid a place's own error: both slopes were subtracted."""
    line = found(place_c, Base(thermometer_u_c=0.1))["frequency-temperature"]
    assert abs(line.value - SLOPE * 65.0) <= line.u
    assert line.u < 3 * SLOPE * 0.1


def test_a_stated_time_base_is_a_rectangle():
    """Alone, its 95 % interval is 0.95 of the half width (JCGM 101:2008, 6.4.2)."""
    stated = Timebase(status="stated", offset_ppm=0.0, u_ppm=0.01 / 3**0.5)
    base = Base(timebase=(timebase_line(stated),), thermometer_u_c=0.0)
    line = found(lambda c: c, base)["offset-at-reference"]
    assert line.u == pytest.approx(0.0095, rel=1e-3)


def test_what_lag_left_takes_no_weight_from_points_in_which_dips_are_looked_for():
    """It is as smooth as the law; where noise made it, it hid a dip."""
    plan, points = device(lambda c: c, behind_ppm=0.5)
    view = DeviceView(plan, PART, points, Base())
    even, lagging = view.evenly_weighted().u_ppm, view.over_temperature().u_ppm
    assert len(even) == len(lagging) == len(points)
    assert np.ptp(even) == 0
    assert lagging.min() > 100 * even.max()


def test_a_sequence_that_was_cut_passes_no_largest_value_it_has_not_seen():
    """The hottest place was to come: it can be the largest (guarded acceptance)."""
    plan, points = device(lambda c: 25.0 + (c - 25.0) / 10)
    base = Base(thermometer_u_c=0.1)

    def over_temperature(some):
        lines = characteristics(plan, PART, some, base)
        return next(one for one in lines if one.name == "frequency-temperature")

    assert over_temperature(points).verdict is Decision.PASS
    cut = over_temperature(points[:-1])
    assert cut.verdict is Decision.UNDECIDED
    assert "not measured at 85 C" in cut.text


def test_what_failed_before_a_sequence_was_cut_stays_failed():
    """No place still to come makes a largest value smaller."""
    plan, points = device(lambda c: 25.0 + (c - 25.0) * 10)
    lines = characteristics(plan, PART, points[:-1], Base(thermometer_u_c=0.1))
    line = next(one for one in lines if one.name == "frequency-temperature")
    assert line.verdict is Decision.FAIL
