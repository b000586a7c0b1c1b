"""A line whose bench names a supply of the chip: held, taken away to verify, let go."""

import json
from contextlib import closing
from dataclasses import replace

import pytest
from keeper_door import soak_plan
from trim.line_scene import a_line, control_program

from benchlog.catalogue import load_bench
from benchlog.clock import host_deadline, host_sleep
from benchlog.model.promises import OperatingRange
from benchlog.recorder.lot.feeding import feeds_of, job_of
from benchlog.store.reader import Reader

BURN = "\n[burn]\ncommand = {}\nlimit_s = 10\n"


@pytest.fixture
def line(tmp_path):
    with a_line(tmp_path, feed=True) as made:
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


def test_burned_codes_are_verified_through_the_supply(line):
    """Before, a chip was verified without a power cycle, whatever feeds it."""
    with_burn(line)
    code, out, err = line.trim([2, 3], "--burn", "--yes")
    assert code == 0, err
    assert "then, to verify    supply 'supply' off for 1 s, and on again" in err
    assert "2 of 2 devices brought in" in out
    assert "2 burned, verified after a power cycle" in " ".join(out.split())
    assert line.bench.chip_supply.order == ["off", "on"] * 2 + ["off"]
    assert line.bench.firmware.burned == line.codes()["C-003"]
    told = [(one.quantity, one.value) for one in conditions(line, line.runs()[0].run)]
    assert [one for one in told if one[0].startswith("power")] == [
        ("power ordered", 0.0),
        ("power ordered", 1.0),
    ]


def test_a_chip_that_took_no_code_runs_elsewhere_after_the_cycle(line):
    """The program tells that all is well and burns nothing: the code is lost."""
    with_burn(line, "/bin/true")
    code, out, err = line.trim([4], "--burn", "--yes")
    assert code == 4, err
    assert "is another code burned?" in err
    assert "burned, runs elsewhere" in out


def test_without_burn_the_supply_is_left_alone(line):
    assert line.trim([1])[0] == 0
    assert line.bench.chip_supply.order == []


def test_a_supply_that_was_off_is_switched_on_first(line):
    with_burn(line)
    supply = line.bench.chip_supply
    supply.reset()
    code, _, err = line.trim([2], "--burn", "--yes")
    assert code == 0, err
    assert supply.order == ["off", "on", "off", "on", "off"]
    assert f"supply 'supply' is on at {supply.volts:g} V for the lot" in err


def test_a_keeper_that_is_killed_leaves_no_chip_with_a_supply(line):
    with_burn(line)
    assert line.trim([2], "--burn", "--yes", kill_in=2) is None
    limit = host_deadline(10.0)
    while line.bench.chip_supply.on:
        assert not limit.passed
        host_sleep(0.05)
    code, _, err = line.trim([2], "--burn", "--yes")
    assert code == 0, err


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
