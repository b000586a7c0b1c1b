"""A rack taken through a short sequence over real sockets: turns, safety, going on."""

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
from contextlib import closing
from dataclasses import replace

import pytest
from kept_rows import kept_rows, listed_rows
from recorder.rack.death_scene import process_at
from scanned_shop import NEAR_PPM, close_behind_its_back
from schemas_held import hold
from warm_program import Program

from benchlog.catalogue import load_part
from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.evaluation.rack.turn_points import device_points
from benchlog.evaluation.rack_study import (
    next_step,
    plan_of,
    qualification_of,
)
from benchlog.model import EventKind, Flag
from benchlog.simulate.rack_bench import SimulatedRack
from benchlog.simulate.rack_scenario import rack_scenario
from benchlog.store.reader import Reader

SCALE = 60.0
PART = "vctcxo-10mhz-1ppm"
NEAR = 0.085
"""ppm; half of what lies between two of the devices. Hysteresis of the third moves
it by 0.07 on the way from 23 to 25 C."""
SEQUENCE = """
[sequence]
id = "short"
title = "Two temperatures and two supplies"
source = "ours"
finds = ["offset-at-reference", "frequency-temperature", "supply"]
[settled]
window = "40s"
device_ppm_per_min = 0.5
probe_c_per_min = 3
probe_band_c = 2
[[step]]
name = "reference"
temperature_c = 25
supply_v = 3.3
gates = 4
[[step]]
name = "warm"
temperature_c = 32
gates = 4
[[step]]
name = "back"
temperature_c = 25
gates = 4
[[step]]
name = "low supply"
supply_v = "low"
gates = 4
"""

HEAD = SEQUENCE.partition("[[step]]")[0]
QUICK = """
[[step]]
name = "reference"
temperature_c = 25
supply_v = 3.3
settle = false
gates = 4
[[step]]
name = "warm"
temperature_c = 32
gates = 4
"""
"""The first steps, without a wait for the device: for what happens within them."""
LOADED = """
[[step]]
name = "reference"
temperature_c = 25
load_pf = "reference"
gates = 4
[[step]]
name = "loaded"
load_pf = "high"
settle = false
gates = 4
[[step]]
name = "reference again"
load_pf = "reference"
settle = false
gates = 4
"""
LOAD_LAST = """
[[step]]
name = "loaded"
supply_v = 3.3
load_pf = "high"
settle = false
gates = 4
[[step]]
name = "reference again"
load_pf = "reference"
settle = false
gates = 4
"""
"""After the steps of `SEQUENCE`."""
LONG_TURNS = """
[[step]]
name = "reference"
temperature_c = 25
settle = false
gates = 1200
"""


IMPATIENT = """
from benchlog.cli import main
from benchlog.recorder.rack import rack_keeper

assert rack_keeper.OPEN_LIMIT_S == 30.0
rack_keeper.OPEN_LIMIT_S = 2.0
main()
"""
"""The command line with a shorter patience for what does not answer."""


BRIEF = """
from benchlog.cli import main
from benchlog.recorder.rack import setter_handle

assert setter_handle._FAREWELL_S == 8.0
setter_handle._FAREWELL_S = 2.0
main()
"""
"""The same with a shorter patience for setters that do not end."""


class Shop:
    """A rack of three devices, and the program that qualifies it."""

    def __init__(self, folder, rack):
        self.folder, self.rack = folder, rack
        (folder / "rack.toml").write_text(rack.bench_toml())
        (folder / "short.toml").write_text(SEQUENCE)
        (folder / "ids.txt").write_text("# three\nDUT-1\nP03,DUT-3\n\nDUT-2\n")
        self.database = folder / "q.db"

    def steps(self, text, head=HEAD):
        """Let these be the steps of the sequence."""
        (self.folder / "short.toml").write_text(head + text)

    def start(self, *more, **how):
        words = ["--bench", "rack.toml", "--part", PART, "--sequence", "short.toml"]
        words += ["--devices", "ids.txt"]
        return self.run(*(more if more else words), **how)

    def run(self, *words, program=("-P", "-m", "benchlog.cli")):
        return Program(
            [
                *(sys.executable, *program, "qualify", *words),
                *("--db", "q.db", "--json", "--no-screen"),
            ],
            cwd=self.folder,
            env=os.environ | {"BENCHLOG_TIME_SCALE": str(SCALE)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def reader(self):
        return closing(Reader.open(self.database))

    def events(self, *kinds):
        with self.reader() as reader:
            return [
                event.text
                for run in reader.all_runs()
                for _, event in reader.events(run.id)
                if event.kind in kinds
            ]

    def wait_for(self, said, *kinds, within_s=90):
        limit = host_deadline(within_s)
        while not limit.passed:
            if self.database.exists():
                try:
                    if any(said in text for text in self.events(*kinds)):
                        return
                except Exception:  # the keeper makes its database meanwhile
                    host_sleep(0.1)
            host_sleep(0.1)
        raise AssertionError(f"{said!r} was never told")

    def wait_for_readings(self, run, wanted, within_s=90):
        limit = host_deadline(within_s)
        while not limit.passed:
            with contextlib.suppress(Exception), self.reader() as reader:
                if len(reader.columns_after(run)) >= wanted:
                    return
            host_sleep(0.02)
        told = self.events(*EventKind) if self.database.exists() else "no database"
        raise AssertionError(f"run {run} never had {wanted} readings: {told}")

    def safe(self):
        """Whether supply and chamber are in their safe state."""
        home = self.rack.scenario.chamber.begin_c
        return not self.rack.rack.output and self.rack.chamber.target_c == home

    def wait_until_safe(self, within_s=10):
        limit = host_deadline(within_s)
        while not self.safe():
            assert not limit.passed, "the safe state was not reached"
            host_sleep(0.05)


@pytest.fixture
def shop(tmp_path):
    scenario = rack_scenario(load_part(PART), 3, seed=5)
    chamber = replace(scenario.chamber, rate_c_per_min=10.0, inertia_s=10.0)
    scenario = replace(scenario, chamber=chamber)
    with SimulatedRack(scenario, HostClock(scale=SCALE)) as rack:
        yield Shop(tmp_path, rack)


def end(process, within_s=200):
    out, told = process.communicate(timeout=within_s)
    return process.returncode, out, told


def test_each_device_is_measured_in_its_turn_under_its_own_id(shop):
    """With a load that is switched at the end; the supply was let go of before."""
    shop.rack.rack.set_output(False, shop.rack.world.now_s())
    reference = 'name = "reference"\n'
    steps = SEQUENCE.removeprefix(HEAD)
    steps = steps.replace(reference, f'{reference}load_pf = "reference"\n')
    shop.steps(steps + LOAD_LAST, HEAD.replace('"supply"]', '"supply", "load"]'))
    status, out, told = end(shop.start())
    found = json.loads(out)
    hold(found)
    assert status in (0, 3, 4), told
    assert (found["sequence"], found["part"]) == ("short", PART)
    assert found["steps"] == found["steps_done"] == 6
    placed = {one["device"]: one["position"] for one in found["devices"]}
    assert placed == {"DUT-1": "P01", "DUT-2": "P02", "DUT-3": "P03"}
    shop.wait_until_safe()
    assert not shop.rack.rack.loaded
    require_loads(shop, found)
    with shop.reader() as reader:
        whole = qualification_of(reader, found["devices"][0]["run"])
        assert [len(one.points) for one in whole.devices] == [6, 6, 6]
        for one in whole.devices:
            channel = 100 + int(one.run.position[1:])
            true_ppm = shop.rack.devices[channel].spec.offset_ppm
            first = one.points[0]
            assert len(first.offsets_ppm) == 4
            assert first.offsets_ppm.mean() == pytest.approx(true_ppm, abs=NEAR)
            assert first.ambient_c == pytest.approx(25, abs=2.1)
            assert one.points[1].ambient_c == pytest.approx(32, abs=2.1)
            lines = {line.name: line for line in one.found}
            spec = shop.rack.devices[channel].spec
            moved = abs(spec.supply_ppm_per_v * (2.97 - 3.3))
            supply = lines["supply"]
            assert abs(supply.value - moved) <= 3 * supply.u + 0.02
            columns = reader.columns_after(one.run.id)
            assert len(columns) >= 24
            marked = columns.flags & Flag.SETTLING != 0
            assert 4 <= (~marked).sum() <= 12  # at reference conditions alone
            orders = [c.value for _, c in reader.conditions(one.run.id)
                      if c.quantity == "temperature ordered"]  # fmt: skip
            assert orders == [25.0, 32.0, 25.0]
    kept = kept_rows(shop.database)
    assert len(kept) == 3 and kept == listed_rows(shop.database)


def require_loads(shop, found):
    """Hold what loads did, and that they were switched, against what the rack has."""
    for one in found["devices"]:
        spec = shop.rack.devices[100 + int(one["position"][1:])].rack_spec
        (load,) = (c for c in one["characteristics"] if c["name"] == "load")
        moved = abs(spec.load_ppm_per_pf * (15 - 10))
        assert abs(load["value"] - moved) <= 3 * load["u"] + 0.01, one
    with shop.reader() as reader:
        told = [c for _, c in reader.conditions(1) if c.instrument == "loads"]
    ordered = [c.value for c in told if c.quantity == "load ordered"]
    assert ordered == [c.value for c in told if c.quantity == "load read back"]
    assert ordered == [10.0, 15.0, 10.0]
    assert {c.unit for c in told} == {"pF"}


@pytest.mark.campaign  # every suite: a load at the end of the test above
@pytest.mark.parametrize("times", [1, 2])
def test_a_load_is_switched_and_a_second_sequence_finds_its_supply(shop, times):
    """Whoever is through lets go of all: the next one switches on what it needs."""
    shop.rack.rack.set_output(False, shop.rack.world.now_s())  # let go of before
    shop.steps(LOADED, HEAD.replace('"frequency-temperature", "supply"', '"load"'))
    for _ in range(times):
        status, out, told = end(shop.start())
        assert status in (0, 3, 4), told
        require_loads(shop, json.loads(out))
        assert not (shop.rack.rack.output or shop.rack.rack.loaded)


# every suite: drivers/test_setters.py, test_rack_reports.py, and the test below
@pytest.mark.campaign
def test_a_contact_that_sticks_measures_nobody(shop):
    shop.steps(QUICK.rpartition("[[step]]")[0])
    process = shop.start()
    shop.wait_for("step 1", EventKind.SEQUENCE)
    shop.rack.command("scanner stuck 102")
    shop.wait_for("stuck or lost", EventKind.SETTER)
    shop.rack.command("scanner ok")
    status, _out, told = end(process)
    assert status in (0, 3, 4), told
    with shop.reader() as reader:
        for run in reader.all_runs():
            channel = 100 + int(run.position[1:])
            true_ppm = shop.rack.devices[channel].spec.offset_ppm
            for point in device_points(reader, run, plan_of(run)):
                if point.step.index == 0 and len(point.offsets_ppm):
                    seen = point.offsets_ppm.mean()
                    assert seen == pytest.approx(true_ppm, abs=NEAR)


def test_a_channel_that_moves_within_a_turn_gives_nobody_a_reading(shop):
    """Another one closed, two at once, none: told, and nothing under a wrong id."""
    shop.steps(LONG_TURNS)
    process = shop.start()
    for run, trouble in enumerate(((103,), (102, 103), ()), start=1):
        shop.wait_for_readings(run, 8)
        if trouble:
            close_behind_its_back(shop.rack, *trouble)
        else:  # the ids put the third device at P02
            shop.rack.command("scanner lost 102")
    status, _out, told = end(process)
    assert status in (0, 3, 4), told
    with shop.reader() as reader:
        for run in reader.all_runs():
            ppm = (reader.columns_after(run.id).frequency_hz / 10e6 - 1) * 1e6
            spec = shop.rack.devices[100 + int(run.position[1:])].spec
            assert 8 <= len(ppm) < 1200
            assert abs(ppm - spec.offset_ppm).max() < NEAR_PPM, run.position
    said = shop.events(EventKind.SETTER)
    # the rack's check tells it, or the scanner's own process that looked before it
    assert sum("broken off" in text for text in said) == 3, said


@pytest.mark.campaign  # every suite: test_silent_chamber.py
def test_a_chamber_that_lies_ends_in_the_safe_state(shop):
    process = shop.start()
    shop.wait_for("step 1", EventKind.SEQUENCE)
    shop.rack.command("chamber lies 30")
    status, _, told = end(process)
    assert status == 4, told
    assert any("made safe" in text for text in shop.events(EventKind.SETTER))
    shop.wait_until_safe()


@pytest.mark.campaign  # every suite: beside a chamber that is gone, below
def test_ctrl_c_lets_go(shop):
    process = shop.start()
    shop.wait_for("step 1", EventKind.SEQUENCE)
    process.send_signal(signal.SIGINT)
    status, _, told = end(process)
    assert status == 4, told
    shop.wait_until_safe()


def test_a_chamber_that_is_not_let_go_of_is_told(shop):
    process = shop.start(program=("-P", "-c", BRIEF))
    shop.wait_for("step 1", EventKind.SEQUENCE)
    shop.rack.kill_chamber()
    process.send_signal(signal.SIGINT)
    status, _, told = end(process)
    assert status == 4, told
    assert "setter 'chamber' may not be in its safe state" in told
    found = [e for e in shop.events(EventKind.SETTER) if "by hand" in e]
    assert len(found) == 3  # in each run, although it is over
    (left,) = {int(re.search(r"process (\d+)", text)[1]) for text in found}
    os.kill(left, signal.SIGKILL)  # it goes on trying, as it is told
    assert not shop.rack.rack.output


@pytest.mark.campaign  # in every suite: in test_exchanged_setters.py, with a new setter
def test_killed_and_gone_on_with(shop):
    process = shop.start()
    shop.wait_for("step 1 'reference' is over", EventKind.SEQUENCE)
    shop.wait_for("step 2 'warm' begins", EventKind.SEQUENCE)
    process.kill()
    process.communicate()
    shop.wait_until_safe()
    with shop.reader() as reader:
        runs = list(reader.all_runs())
        assert next_step(reader, runs) == 1
    status, out, told = end(shop.start("--resume-last"))
    assert status in (0, 3, 4), told
    found = json.loads(out)
    assert found["steps_done"] == 4, told
    assert len(found["devices"]) == 3
    assert [one["points"] for one in found["devices"]] == [4, 4, 4]
    assert any("C by now" in text for text in shop.events(EventKind.SETTER))
    shop.wait_until_safe()
    status, _, told = end(shop.start("--resume-last"))
    assert status == 2
    assert "qualification that was cut" in told


def test_nothing_is_begun_when_a_setter_does_not_answer(shop):
    text = (shop.folder / "rack.toml").read_text()
    port = shop.rack.addresses()["chamber"]
    (shop.folder / "rack.toml").write_text(text.replace(port, "modbus://127.0.0.1:1"))
    status, _, told = end(shop.start(program=("-P", "-c", IMPATIENT)))
    assert status == 1
    assert "setter 'chamber'" in told
    assert "nothing was set" in told


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        ("short.toml", "temperature_c = 32", "temperature_c = 95", "outside part"),
        ("rack.toml", "high = 130.0", "high = 30.0", "outside setter 'chamber'"),
        ("rack.toml", 'feed = "supply"', "", "sets supply"),
        ("ids.txt", "DUT-2", "DUT-1", "two positions"),
        ("ids.txt", "P03,DUT-3", "P03,", "no id"),
        ("ids.txt", "DUT-2", "DUT-2\nDUT-4", "3 positions"),
        ("ids.txt", "# three\nDUT-1\nP03,DUT-3\n\nDUT-2\n", "\n", "no device"),
    ],
)
def test_bad_input_is_refused_before_anything_is_set(shop, file, old, new, said):
    path = shop.folder / file
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new))
    before = shop.rack.chamber.target_c
    status, _, told = end(shop.start())
    assert status in (1, 2)
    assert said in told
    assert shop.rack.chamber.target_c == before
    assert not shop.database.exists()


@pytest.mark.parametrize("name", ["chamber", "counter"])
def test_a_process_that_dies_ends_in_the_safe_state(shop, name):
    """Takes 6 s: the sequence is begun over real sockets."""
    shop.steps(QUICK)
    process = shop.start()
    shop.wait_for("step 2 'warm' begins", EventKind.SEQUENCE)
    port = int(re.search(r":(\d+)(?:::SOCKET)?$", shop.rack.addresses()[name])[1])
    os.kill(process_at(port, os.getpid()), signal.SIGKILL)
    shop.wait_until_safe()
    status, _, told = end(process)
    assert status == 4, told
    assert f"{name!r}: its process ended" in told
    assert "made safe" in told


@pytest.mark.campaign  # every suite: test_rack_reports.py, and what dies, above
def test_a_chamber_that_forgot_its_set_point_ends_in_the_safe_state(shop):
    """It was without mains for a moment: it is there again, and stands still. 6 s."""
    shop.steps(QUICK)
    process = shop.start()
    shop.wait_for("step 2 'warm' begins", EventKind.SEQUENCE)
    shop.rack.command("chamber dead 0.5")
    status, _, told = end(process)
    assert status == 4, told
    assert "setter 'chamber' was set to 32 and has 23 by now" in told
    shop.wait_until_safe()


@pytest.mark.slow
def test_a_chamber_that_was_cut_is_let_go_of_when_it_is_back(shop):
    """The keeper is gone by then. Takes 22 s."""
    shop.steps(QUICK)
    process = shop.start()
    shop.wait_for("step 2 'warm' begins", EventKind.SEQUENCE)
    shop.rack.command("chamber deaf 18")
    shop.rack.command("chamber@scpi deaf 18")
    status, _, told = end(process)
    assert status == 4, told
    assert "setter 'chamber' cannot be reached" in told
    assert "goes on trying" in told
    assert not shop.rack.rack.output
    assert shop.rack.chamber.target_c == 32
    shop.wait_until_safe(within_s=20)
