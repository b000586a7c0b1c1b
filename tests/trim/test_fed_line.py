"""A line whose bench names a supply of the chip: held, taken away to verify, let go."""

import json
import signal
from contextlib import closing
from dataclasses import replace

import pytest
from keeper_door import soak_plan
from trim.line_scene import a_line, control_program, hear_one_of

from benchlog.catalogue import load_bench
from benchlog.clock import host_deadline, host_sleep
from benchlog.control import Request, ask, file_of
from benchlog.model.promises import OperatingRange
from benchlog.recorder.lot.feeding import feeds_of, job_of
from benchlog.store.reader import Reader

SCALE = 3.0  # slower than other lines: three processes more have to keep up
BURN = "\n[burn]\ncommand = {}\nlimit_s = 10\n"


@pytest.fixture
def line(tmp_path):
    with a_line(tmp_path, feed=True, scale=SCALE) as made:
        path = tmp_path / "bench.toml"
        # a busy computer is no dead keeper, whose pipe ends at once
        patient = "high = 5.5\ndead_man_s = 60.0"
        path.write_text(path.read_text().replace("high = 5.5", patient))
        yield made


def with_burn(line, *command):
    address = line.bench.addresses()["control"]
    words = command or [str(control_program(line.folder, address)), "chip", "burn"]
    words = [*words, "{code}"]
    path = line.folder / "bench.toml"
    path.write_text(path.read_text() + BURN.format(json.dumps(words)))


def conditions(line, run):
    with closing(Reader.open(line.db)) as reader:
        return [one for _, one in reader.conditions(run)]


@pytest.mark.campaign  # every suite has it below, with a burn that takes long
def test_a_burned_code_is_verified_through_the_supply(line):
    """Before, a chip was verified without a power cycle, whatever feeds it.

    The supply is off at first, as whoever was there last has left it.
    """
    with_burn(line)
    supply = line.bench.chip_supply
    supply.reset()
    code, out, err = line.trim([3], "--burn", "--yes")
    assert code == 0, err
    assert_verified_through_the_supply(line, out, err)


def assert_verified_through_the_supply(line, out, err):
    supply = line.bench.chip_supply
    assert "then, to verify    supply 'supply' off for 1 s, and on again" in err
    assert f"supply 'supply' is on at {supply.volts:g} V for the lot" in err
    assert "1 burned, verified after a power cycle" in " ".join(out.split())
    assert supply.order == ["off", "on", "off", "on", "off"]
    assert [line.bench.firmware.burned] == list(line.codes().values())
    told = [(one.quantity, one.value) for one in conditions(line, line.runs()[0].run)]
    assert [one for one in told if one[0].startswith("power")] == [
        ("power ordered", 0.0),
        ("power ordered", 1.0),
    ]


@pytest.mark.campaign  # every suite burns another code, in test_line.py
def test_a_chip_that_took_no_code_runs_elsewhere_after_the_cycle(line):
    """The program tells that all is well and burns nothing: the code is lost."""
    with_burn(line, "/bin/true")
    code, out, err = line.trim([4], "--burn", "--yes")
    assert code == 4, err
    assert "is another code burned?" in err
    assert "burned, runs elsewhere" in out


def test_without_burn_the_supply_is_left_alone(line):
    """The bench has a programmer; nothing is burned unless somebody asks."""
    with_burn(line)
    assert line.trim([1])[0] == 0
    assert line.bench.chip_supply.order == []
    assert not (line.folder / "burned").exists()


def test_a_keeper_that_is_killed_leaves_no_chip_with_a_supply(line):
    with_burn(line)
    assert line.trim([2], "--burn", "--yes", kill_in=2) is None
    limit = host_deadline(10.0)
    while line.bench.chip_supply.on:
        assert not limit.passed
        host_sleep(0.05)


def test_positions_that_share_a_supply_have_no_cycle_through_it(line):
    """The neighbour would lose its code while it is searched."""
    bench = load_bench(str(line.folder / "bench.toml"))
    position = bench.positions[0]
    beside = replace(position, name="B")
    bench = replace(bench, positions=(position, beside))
    plan = soak_plan()
    plans = [replace(plan, bench=bench, position=name) for name in ("A", "B")]
    assert feeds_of(plans) == {}
    assert feeds_of(plans[:1]) == {"A": "supply"}


def test_bounds_are_those_of_part_and_supply_and_nominal_must_be_within(line):
    plan = replace(soak_plan(), bench=load_bench(str(line.folder / "bench.toml")))
    assert job_of(plan, "supply").bounds == (0.0, 5.5)
    part = replace(plan.part, supply=OperatingRange(nominal_v=3.0, range_v=(2.7, 3.6)))
    assert job_of(replace(plan, part=part), "supply").bounds == (2.7, 3.6)


SLOW = """#!/bin/sh
echo begun >> {told}
while [ ! -e {go_on} ]; do sleep 0.05; done
{programmer} chip burn "$1"
echo ended >> {told}
"""


def held_burn(line):
    """Write a programmer that waits in the midst of a burn; return what tells and ends.

    The first file tells what it did, the second lets it go on.
    """
    told, go_on = line.folder / "told", line.folder / "go-on"
    programmer = control_program(line.folder, line.bench.addresses()["control"])
    slow = line.folder / "slow"
    slow.write_text(SLOW.format(told=told, go_on=go_on, programmer=programmer))
    slow.chmod(0o755)
    path = line.folder / "bench.toml"
    text = BURN.replace("limit_s = 10", "limit_s = 120")
    path.write_text(path.read_text() + text.format(json.dumps([str(slow), "{code}"])))
    return told, go_on


def put_in(line, process):
    line.bench.insert("A", 0.0, "chip-5")
    process.stdin.write("C-005\n")
    process.stdin.flush()


def test_nobody_takes_a_chip_away_while_it_is_burned(line):
    """F2 there began another search in the midst of the burn.

    While the supply was away it left it so: no code of a further chip could be set.
    """
    told, go_on = held_burn(line)
    supply = line.bench.chip_supply
    supply.reset()
    with line.start("--burn", "--yes") as process:
        put_in(line, process)
        wait_until(told.exists)
        (door,) = line.folder.glob("line.db.*.sock")
        for verb in ("again", "aside", "damaged", "skip", "take-out", "undo"):
            answer = ask(door, Request(verb), file_of(line.folder / "line.db"), 30.0)
            assert not answer.ok and "is being burned" in answer.error, verb
        go_on.touch()
        out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    assert_verified_through_the_supply(line, out, err)


def test_a_lot_that_is_stopped_ends_when_its_burn_has_ended(line):
    """Before, the supply was switched off in the midst of it."""
    told, go_on = held_burn(line)
    with line.start("--burn", "--yes") as process:
        put_in(line, process)
        wait_until(told.exists)
        process.send_signal(signal.SIGTERM)
        hear_one_of(process, ("the lot ends when that has ended",))
        host_sleep(1.0)
        assert line.bench.chip_supply.on and process.poll() is None
        go_on.touch()
        process.communicate(timeout=60)
    assert told.read_text().split() == ["begun", "ended"]
    assert not line.bench.chip_supply.on
    (run,) = line.runs()
    assert not run.counts
    assert line.bench.firmware.burned is not None


def wait_until(true, within_s=90.0):
    limit = host_deadline(within_s)
    while not true():
        assert not limit.passed
        host_sleep(0.02)
