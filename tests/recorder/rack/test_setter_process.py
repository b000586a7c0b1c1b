"""A setter and its process: bounds, silence, death of the keeper, the safe state."""

import math
import os
import signal
import subprocess
import sys
import textwrap
import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from warm_program import Program

from benchlog.catalogue import bench_from_mapping, load_part
from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.errors import RefusedError
from benchlog.recorder.rack.setter_handle import SetterHandle
from benchlog.recorder.rack.setter_job import SetterJob
from benchlog.recorder.rack.setter_process import SetterChild
from benchlog.simulate.rack_bench import SimulatedRack
from benchlog.simulate.rack_scenario import rack_scenario

SCALE = 50.0
SAFE_S = 10.0
"""Real seconds within which the safe state must be reached; what was promised."""


@pytest.fixture
def rack():
    with SimulatedRack(
        rack_scenario(load_part("vctcxo-10mhz-1ppm"), 2), HostClock(scale=SCALE)
    ) as served:
        yield served


@pytest.fixture
def specs(rack, tmp_path, monkeypatch):
    monkeypatch.setenv("BENCHLOG_TIME_SCALE", str(SCALE))
    bench = bench_from_mapping(tomllib.loads(rack.bench_toml()), tmp_path / "r.toml")
    return bench.instruments


def until(true, within_s=SAFE_S):
    limit = host_deadline(within_s)
    while not true():
        assert not limit.passed, "not within its time"
        host_sleep(0.02)


def opened(spec, bounds=(0.0, 100.0), dead_man_s=1.0):
    handle = SetterHandle(SetterJob(spec=spec, bounds=bounds, dead_man_s=dead_man_s))
    handle.start()
    heard(handle, lambda one: one.kind == "opened")
    return handle


def heard(handle, wanted, within_s=SAFE_S):
    """Return the first report that is wanted; the keeper speaks meanwhile."""
    limit = host_deadline(within_s)
    while not limit.passed:
        handle.tend()
        for report in handle.hear():
            if wanted(report):
                return report
        host_sleep(0.01)
    raise AssertionError("it was not reported")


def answer(handle, number):
    return heard(handle, lambda one: one.number == number)


def test_orders_are_carried_out_and_read_back(rack, specs):
    handle = opened(specs["chamber"])
    report = answer(handle, handle.set(40.0))
    assert (report.kind, report.ordered, report.read_back) == ("done", 40.0, 40.0)
    assert heard(handle, lambda one: one.kind == "state").value is not None
    handle.finish()
    assert rack.chamber.target_c == rack.scenario.chamber.begin_c


MORE = [
    pytest.param(one, marks=pytest.mark.campaign) for one in (-0.1, 1e300, "40", [1])
]
"""Drawn values pass the same check in this process, below."""


@pytest.mark.parametrize("value", [100.1, True, None, *MORE])
def test_nothing_outside_the_bounds_reaches_the_instrument(rack, specs, value):
    handle = opened(specs["chamber"])
    before = rack.chamber.target_c
    assert answer(handle, handle.set(value)).kind == "refused"
    assert rack.chamber.target_c == before
    handle.finish()


def test_a_silent_keeper_is_a_dead_one(rack, specs):
    handle = opened(specs["supply"], (0.0, 5.0))
    assert answer(handle, handle.switch(True)).kind == "done"
    assert rack.rack.output
    until(lambda: not rack.rack.output)  # nobody calls `tend`
    assert heard(handle, lambda one: one.kind == "released").text.startswith("the keep")
    report = answer(handle, handle.switch(True))
    assert report.kind == "done"
    assert rack.rack.output
    handle.finish()
    assert not rack.rack.output


def test_silence_is_of_the_clock_on_the_wall(rack, specs, monkeypatch):
    """At a pace of 10,000 the keeper is silent for hours of bench time, unharmed."""
    monkeypatch.setenv("BENCHLOG_TIME_SCALE", "10000")
    handle = opened(specs["supply"], (0.0, 5.0), dead_man_s=3.0)
    assert answer(handle, handle.switch(True)).kind == "done"
    host_sleep(1.0)  # nobody calls `tend`
    assert rack.rack.output
    until(lambda: not rack.rack.output)
    handle.finish()


def test_sigterm_lets_go(rack, specs):
    handle = opened(specs["supply"], (0.0, 5.0))
    answer(handle, handle.switch(True))
    os.kill(handle.pid, signal.SIGTERM)
    until(lambda: not rack.rack.output)
    handle.finish()


def test_a_process_that_dies_is_started_again(rack, specs):
    handle = opened(specs["supply"], (0.0, 5.0))
    os.kill(handle.pid, signal.SIGKILL)
    assert heard(handle, lambda one: one.kind == "ended").text
    limit = host_deadline(SAFE_S)
    while not handle.running and not limit.passed:
        handle.tend()
        host_sleep(0.02)
    heard(handle, lambda one: one.kind == "opened")
    handle.finish()


def test_a_chamber_that_runs_away_is_let_go_of(rack, specs):
    handle = opened(specs["chamber"], (20.0, 60.0))
    answer(handle, handle.set(50.0))
    rack.command("chamber lies 60")
    report = heard(handle, lambda one: one.kind == "released")
    assert "far outside" in report.text
    assert rack.chamber.target_c == rack.scenario.chamber.begin_c
    handle.finish()


def test_a_cut_line_releases_nothing_and_is_told(rack, specs):
    handle = opened(specs["chamber"], (20.0, 60.0))
    answer(handle, handle.set(50.0))
    rack.command("chamber drop")
    heard(handle, lambda one: one.kind == "fault")
    heard(handle, lambda one: one.kind == "opened")
    assert rack.chamber.target_c == 50.0
    handle.finish()


def test_the_safe_state_is_reached_when_the_keeper_is_killed(rack, specs, tmp_path):
    """A keeper in a process of its own, killed with SIGKILL."""
    program = textwrap.dedent(
        """
        import pickle, sys, time
        from benchlog.recorder.rack.setter_handle import SetterHandle
        from benchlog.recorder.rack.setter_job import SetterJob
        spec = pickle.loads(bytes.fromhex(sys.argv[1]))
        handle = SetterHandle(SetterJob(spec=spec, bounds=(0.0, 5.0), dead_man_s=2.0))
        handle.start()
        handle.switch(True)
        while True:
            handle.tend()
            if any(r.kind == "done" for r in handle.hear()):
                print("on", flush=True)
            time.sleep(0.05)
        """
    )
    import pickle

    packed = pickle.dumps(specs["supply"]).hex()
    keeper = Program(
        [sys.executable, "-c", program, packed], stdout=subprocess.PIPE, text=True
    )
    assert keeper.stdout.readline() == "on\n"
    assert rack.rack.output
    keeper.kill()
    keeper.wait()
    until(lambda: not rack.rack.output)
    keeper.stdout.close()


@settings(
    max_examples=300,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    bounds=st.tuples(st.floats(-100, 100), st.floats(-100, 100)),
    value=st.one_of(
        st.floats(),
        st.integers(),
        st.text(max_size=3),
        st.booleans(),
        st.none(),
        st.lists(st.integers(), max_size=2),
    ),
)
def test_no_value_outside_the_bounds_passes_the_process(specs, bounds, value):
    child = SetterChild(SetterJob(spec=specs["chamber"], bounds=bounds), HostClock())
    # private: nobody but the test looks at it
    child._setter = type("Nothing", (), {"quantity": "temperature"})()
    try:
        passed = child._within(value)
    except RefusedError:
        return
    assert isinstance(passed, float)
    assert math.isfinite(passed)
    assert bounds[0] <= passed <= bounds[1]
