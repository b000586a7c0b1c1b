"""Setters over real sockets: what they refuse, read back, and where they let go."""

import math
import os
import stat

import pytest

from benchlog.catalogue import bench_from_mapping, load_dialect, load_part
from benchlog.clock import HostClock
from benchlog.driver import Setter
from benchlog.errors import InstrumentError, LostError, RefusedError
from benchlog.registry import load
from benchlog.simulate.rack_bench import SimulatedRack
from benchlog.simulate.rack_scenario import rack_scenario

CLOCK = HostClock(scale=50.0)
SETTERS = {
    "supply": ("scpi-supply", "supply", {"low": 0.0, "high": 5.5}),
    "control": ("scpi-supply", "pulling", {"low": 0.0, "high": 5.0, "safe": 1.5}),
    "modbus": ("modbus-chamber", "chamber", {"low": -50.0, "high": 100.0}),
    "scpi chamber": ("scpi-chamber", "chamber@scpi", {"low": -50.0, "high": 100.0}),
    "scanner": ("scpi-scanner", "scanner", {"low": 101.0, "high": 104.0}),
}
VALUES = {
    "supply": 3.1,
    "control": 2.0,
    "modbus": 30.5,
    "scpi chamber": 30.5,
    "scanner": 103.0,
}


@pytest.fixture(scope="module")
def rack():
    with SimulatedRack(
        rack_scenario(load_part("vctcxo-10mhz-1ppm"), 4), CLOCK
    ) as served:
        yield served


def driver_of(rack, which) -> Setter:
    name, instrument, given = SETTERS[which]
    kind = load(name)
    options = dict(given)
    for option in kind.options:
        if option.name == "dialect":
            options["dialect"] = load_dialect(option.default)
    return kind(rack.addresses()[instrument], options, CLOCK)


@pytest.fixture(params=SETTERS)
def setter(rack, request):
    made = driver_of(rack, request.param)
    made.open()
    made.which = request.param
    yield made
    made.close()


def test_what_is_set_is_read_back(setter):
    value = VALUES[setter.which]
    setter.set(value)
    assert setter.read_back() == pytest.approx(value)
    if setter.switches:
        setter.switch(True)
    assert isinstance(setter.at_rest(), bool)
    assert math.isfinite(setter.read().value)
    setter.release()
    setter.release()


@pytest.mark.parametrize("value", [1e9, -1e9, math.nan, math.inf, None, "3", True])
def test_what_may_not_be_set_never_reaches_the_instrument(setter, value):
    before = setter.read_back()
    with pytest.raises(RefusedError):
        setter.set(value)
    assert setter.read_back() == before


def test_letting_go_makes_it_safe(rack):
    supply = driver_of(rack, "supply")
    supply.open()
    supply.switch(True)
    assert rack.rack.output
    supply.release()
    assert not rack.rack.output
    supply.switch(True)
    supply.close()
    chamber = driver_of(rack, "modbus")
    chamber.open()
    chamber.set(60.0)
    chamber.release()
    assert rack.chamber.target_c == rack.scenario.chamber.begin_c
    chamber.close()
    control = driver_of(rack, "control")
    control.open()
    control.set(2.5)
    control.release()
    assert rack.rack.control_v == 1.5
    control.close()


def test_a_chambers_fault_is_told_in_words(rack):
    chamber = driver_of(rack, "modbus")
    chamber.open()
    rack.command("chamber alarm 2")
    with pytest.raises(RefusedError, match="its limiter has tripped"):
        chamber.read()
    rack.command("chamber ok")
    assert math.isfinite(chamber.read().value)
    chamber.close()


def test_a_scanner_with_a_stuck_or_lost_contact_refuses(rack):
    scanner = driver_of(rack, "scanner")
    scanner.open()
    rack.command("scanner stuck 102")
    with pytest.raises(RefusedError, match="stuck or lost"):
        scanner.set(101)
    rack.command("scanner ok")
    rack.command("scanner lost 101")
    with pytest.raises(RefusedError, match="closes nothing"):
        scanner.set(101)
    rack.command("scanner ok")
    scanner.set(101)
    assert scanner.read_back() == 101
    rack.command("scanner stuck 102")
    with pytest.raises(RefusedError, match="at once"):
        scanner.read_back()
    rack.command("scanner ok")
    scanner.close()


def test_nobody_there_is_told(rack):
    made = load("modbus-chamber")(
        "modbus://127.0.0.1:1",
        {"low": 0.0, "high": 1.0, "dialect": load_dialect("modbus-chamber")},
        CLOCK,
    )
    with pytest.raises(LostError):
        made.open()


def test_a_cut_line_is_an_error_of_ours(rack):
    chamber = driver_of(rack, "modbus")
    chamber.open()
    rack.command("chamber drop")
    with pytest.raises(InstrumentError):
        chamber.read_back()
    chamber.close()


def test_a_command_sets_what_its_exit_status_confirms(tmp_path):
    script = tmp_path / "relay"
    script.write_text(
        '#!/bin/sh\n[ "$2" = 9 ] && { echo no such load; exit 3; }\n'
        f'echo "$2" > {tmp_path}/set\n'
    )
    script.chmod(script.stat().st_mode | stat.S_IXUSR)
    made = load("command-setter")(
        "",
        {
            "program": str(script),
            "arguments": "--load {value}",
            "low": 5.0,
            "high": 15.0,
            "safe": 10.0,
            "quantity": "load",
            "unit": "pF",
        },
        CLOCK,
    )
    made.open()
    made.set(12.5)
    assert (tmp_path / "set").read_text() == "12.5\n"
    assert made.read().value == made.read_back() == 12.5
    with pytest.raises(RefusedError, match="no such load"):
        made.set(9)
    assert made.read_back() == 12.5
    made.release()
    assert (tmp_path / "set").read_text() == "10\n"
    assert os.listdir(tmp_path)


def test_the_racks_bench_file_can_be_used(rack, tmp_path):
    import tomllib

    bench = bench_from_mapping(tomllib.loads(rack.bench_toml()), tmp_path / "rack.toml")
    first = bench.positions[0]
    assert (first.through, first.channel, first.feed) == ("scanner", 101, "supply")
    assert bench.instruments["chamber"].options["high"] == 130.0


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("channel = 102", "channel = 101", "which position 'P01' has"),
        ('through = "scanner"\nchannel = 101', "channel = 101", "together"),
        ('chamber = "chamber"', 'chamber = "probe"', "only measures"),
        ('feed = "supply"', 'feed = "chamber"', "measures temperature"),
        ('control = "pulling"', 'control = "nothing"', "no instrument 'nothing'"),
        ("high = 130.0\n", "", "never set above"),
    ],
)
def test_what_does_not_go_together_is_named(rack, tmp_path, old, new, said):
    import tomllib

    from benchlog.errors import ConfigError

    text = rack.bench_toml()
    assert old in text
    with pytest.raises(ConfigError, match=said):
        bench_from_mapping(
            tomllib.loads(text.replace(old, new)), tmp_path / "rack.toml"
        )
