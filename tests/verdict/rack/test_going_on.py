"""A sequence gone on with: from where, and from which side temperature is come to."""

import pytest

from benchlog.catalogue import load_part, load_sequence
from benchlog.model import Drive
from benchlog.verdict.rack.bounds import Bound, bounds_of
from benchlog.verdict.rack.going_on import first_again, turning_point, way_back
from benchlog.verdict.rack.planned_steps import planned_steps

PART = load_part("vctcxo-10mhz-1ppm")
CHAMBER = (Drive.TEMPERATURE, Bound(-45.0, 125.0, "the chamber"))


def planned(name):
    sequence = load_sequence(name)
    return planned_steps(sequence, PART, bounds_of(PART, sequence, (CHAMBER,)))


def test_a_point_of_the_falling_branch_is_come_to_from_above_again():
    steps = planned("temperature-sweep")
    highest = steps[0].state[Drive.TEMPERATURE]
    lowest = min(step.state[Drive.TEMPERATURE] for step in steps)
    assert turning_point(steps, 10) == highest
    assert turning_point(steps, 40) == lowest
    there = way_back(steps, 10).there
    assert there.state[Drive.TEMPERATURE] == highest
    assert there.orders == ()


def test_where_temperature_never_moved_nothing_turns():
    steps = planned("supply")
    assert turning_point(steps, len(steps) - 1) is None
    assert way_back(steps, 2).there.state == steps[1].state


@pytest.mark.parametrize(
    ("sequence", "cut", "first"),
    [
        ("warm-up", 1, 0),  # power on needs the hour without power before it
        ("warm-up", 2, 2),
        ("retrace", 2, 1),  # and the 24 hours
        ("retrace", 1, 1),
        ("retrace", 0, 0),
        ("temperature-five-points", 3, 3),
        ("temperature-five-points", 6, 6),  # all is over: it is only ended
    ],
)
def test_power_on_belongs_to_the_time_without_power_before_it(sequence, cut, first):
    assert first_again(planned(sequence), cut) == first


def test_devices_have_had_power_for_as_long_as_before():
    assert way_back(planned("warm-up"), 2).powered_s == 3600.0
    assert way_back(planned("retrace"), 1).powered_s == 3600.0
    assert way_back(planned("ageing"), 5).powered_s == 0.0
    assert way_back(planned("ageing"), 0) is None
