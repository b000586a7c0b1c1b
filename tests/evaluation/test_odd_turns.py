"""Turns of a rack in a stranger's database: what cannot be read is no point."""

import json
import math
from dataclasses import asdict

import numpy as np
import pytest
from rack_scene import BEGIN_NS, plan_of

from benchlog.evaluation.rack.turn_points import (
    PointReadings,
    TimedEvent,
    points_of,
    step_told,
)
from benchlog.model import Event, EventKind, Turn
from benchlog.model.trims import SET, trim_notes

PLAN = plan_of("warm-up")
SOUND = asdict(Turn(step=0, begin_utc_ns=BEGIN_NS, end_utc_ns=BEGIN_NS + 9, readings=2))
WHOLE = ("step", "begin_utc_ns", "end_utc_ns", "readings")
HUGE = 10**400
ODD = [HUGE, -HUGE, 2**63, -1, 1.5, math.nan, 1e308, True, "x", None, [], {}]


def points(**odd):
    raw = json.dumps({**SOUND, **odd}).encode()
    nothing = PointReadings(
        at_ns=np.empty(0, int),
        ppm=np.empty(0),
        ambient_c=np.empty(0),
        segment=np.empty(0, int),
    )
    event = Event(BEGIN_NS, 0, EventKind.TURN, "odd", "", raw)
    timed = TimedEvent(event=event, segment=1, at_ns=BEGIN_NS)
    return list(points_of([timed], nothing, PLAN))


@pytest.mark.parametrize("value", ODD)
@pytest.mark.parametrize("name", [*WHOLE, "lasted_ns"])
def test_a_turn_of_odd_numbers_is_left_out(name: str, value: object) -> None:
    """An unexpected error of `show`, `report` and the rack's page before."""
    told = value is None and name == "lasted_ns"  # as an earlier version
    assert len(points(**{name: value})) == told


@pytest.mark.parametrize("value", [*ODD, [0, HUGE], [1e308, 1e308], ["a", "b"]])
@pytest.mark.parametrize("name", ["since_power_s", "drift_ppm_per_min", "started_s"])
def test_what_it_tells_besides_is_a_number_or_nothing(name: str, value: object) -> None:
    for point in points(**{name: value}):
        told = getattr(point.turn, name)
        several = told if isinstance(told, tuple) else (told,)
        assert all(
            one is None or (type(one) is float and abs(one) < 1e12) for one in several
        )


def test_a_sound_turn_is_a_point() -> None:
    assert (
        len(points(since_power_s=3, drift_ppm_per_min=-0.5, started_s=[0.1, 0.2])) == 1
    )


def test_no_step_is_far_out() -> None:
    for step in (HUGE, 2**63, -1):
        assert step_told(json.dumps({"step": step, "what": "over"}).encode()) is None


def test_a_code_that_no_number_holds_is_no_trial() -> None:
    for told in ({"code": HUGE}, {"code": 1, "offset_ppm": HUGE}):
        raw = json.dumps({"what": SET, **told}).encode()
        assert not trim_notes([Event(0, 0, EventKind.TRIM, "odd", "", raw)])
