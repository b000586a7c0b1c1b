"""The room's closed forms against a general-purpose solver (scipy)."""

import math

import pytest
import scipy

from benchlog.simulate.physics.room import (
    Push,
    Pushes,
    Room,
    RoomSpec,
    Supply,
    SupplySpec,
)

CALM = RoomSpec(drift_c_per_day=0.0, swing_c=0.0, draft_c=0.0)


def followed(room: Room, at_s: float, lag_s: float, from_s: float) -> float:
    """dT/dt = (room - T)/lag, solved by scipy from a body that had the room's value."""
    solution = scipy.integrate.solve_ivp(
        lambda t, y: [(room.temperature_c(t) - y[0]) / lag_s],
        (from_s, at_s),
        [room.temperature_c(from_s)],
        max_step=lag_s / 4,
        rtol=1e-8,
        atol=1e-9,
    )
    return float(solution.y[0][-1])


@pytest.mark.parametrize("lag_s", [20.0, 90.0, 300.0])
@pytest.mark.parametrize("at_s", [9_000.0, 52_345.0])
def test_a_body_follows_the_room_with_its_lag(lag_s, at_s):
    room = Room(RoomSpec(drift_c_per_day=2.0, swing_c=3.0, draft_c=0.5), "follow")
    # 20 lags of warming up leave e^-20 of the start
    expected = followed(room, at_s, lag_s, at_s - 20 * lag_s)
    assert room.temperature_c(at_s, lag_s) == pytest.approx(expected, abs=2e-3)


def test_drift_and_daily_swing():
    room = Room(
        RoomSpec(mean_c=20.0, drift_c_per_day=1.0, swing_c=0.0, draft_c=0.0), "x"
    )
    assert room.temperature_c(86_400.0) == pytest.approx(21.0)
    swinging = Room(
        RoomSpec(mean_c=20.0, drift_c_per_day=0.0, swing_c=2.0, draft_c=0.0), "x"
    )
    day = [swinging.temperature_c(k * 864.0) for k in range(100)]
    assert max(day) == pytest.approx(22.0, abs=0.01)
    assert min(day) == pytest.approx(18.0, abs=0.01)


def test_drafts_cool_and_pass():
    still, drafty = (
        Room(CALM, "d"),
        Room(RoomSpec(mean_c=23, drift_c_per_day=0, swing_c=0, draft_c=1.0), "d"),
    )
    cooled = [
        still.temperature_c(t) - drafty.temperature_c(t) for t in range(0, 36_000, 30)
    ]
    assert all(c >= 0 for c in cooled)
    assert max(cooled) > 1.0
    assert min(cooled) < 0.05


def test_any_order_any_distance_the_same_value():
    room = Room(RoomSpec(), "pure")
    forward = [room.temperature_c(t, 30.0) for t in (0.0, 1e3, 1e6)]
    again = Room(RoomSpec(), "pure")
    backward = [again.temperature_c(t, 30.0) for t in (1e6, 1e3, 0.0)]
    assert forward == backward[::-1]
    assert forward != [
        Room(RoomSpec(), "other").temperature_c(t) for t in (0, 1e3, 1e6)
    ]


def test_a_warm_finger_rises_and_fades_with_the_lag():
    pushes = Pushes()
    pushes.add(Push(at_s=100.0, amount=8.0, until_s=130.0))
    assert pushes.at(100.0, 10.0) == 0.0
    assert pushes.at(110.0, 10.0) == pytest.approx(8 * (1 - math.exp(-1)))
    at_end = 8 * (1 - math.exp(-3))
    assert pushes.at(130.0, 10.0) == pytest.approx(at_end)
    assert pushes.at(140.0, 10.0) == pytest.approx(at_end * math.exp(-1))


def test_old_pushes_are_folded_into_one():
    pushes = Pushes()
    for k in range(500):
        pushes.add(Push(float(k), 1.0))
        pushes.add(Push(float(k), 5.0, k + 0.5))
    assert pushes.at(1e6) == pytest.approx(500.0)


def test_air_that_is_set_is_what_was_set_whatever_was_before():
    room = Room(
        RoomSpec(mean_c=23.0, drift_c_per_day=0.0, swing_c=0.8, draft_c=0.0), "set"
    )
    room.warm(5.0, 10.0)
    room.warm(-2.0, 20.0, 1000.0)
    room.set_c(40.0, 60.0, 100.0)
    assert room.temperature_c(60.1) == pytest.approx(40.0, abs=0.01)
    assert room.temperature_c(159.9) == pytest.approx(40.0, abs=0.01)
    by_itself = Room(
        RoomSpec(mean_c=23.0, drift_c_per_day=0.0, swing_c=0.8, draft_c=0.0), "set"
    )
    assert room.temperature_c(161.0) == pytest.approx(by_itself.temperature_c(161.0))
    room.set_c(-5.0, 200.0)
    room.set_c(30.0, 210.0)
    assert room.temperature_c(211.0) == pytest.approx(30.0, abs=0.01)
    # what follows with a lag has not jumped: a tenth of its lag after the order
    before = room.temperature_c(210.0, 50.0)
    change = room.temperature_c(215.0, 50.0) - before
    assert change == pytest.approx((30 - before) * -math.expm1(-0.1), rel=0.05)


def test_more_pushes_than_are_remembered_end_when_the_air_is_set():
    room = Room(
        RoomSpec(mean_c=23.0, drift_c_per_day=0.0, swing_c=0.0, draft_c=0.0), "many"
    )
    for at_s in range(200):
        room.warm(0.1, float(at_s))
    assert room.temperature_c(300.0) == pytest.approx(43.0)
    room.set_c(25.0, 300.0)
    assert room.temperature_c(301.0) == pytest.approx(25.0)


def test_the_supply_keeps_what_it_was_turned_to():
    supply = Supply(SupplySpec(3.3, drift_v_per_day=0.0))
    supply.set_volts(3.0, 50.0)
    supply.set_volts(3.6, 60.0)
    assert [supply.volts(t) for t in (0, 49.9, 50, 59, 60, 1e5)] == pytest.approx(
        [3.3, 3.3, 3.0, 3.0, 3.6, 3.6]
    )
