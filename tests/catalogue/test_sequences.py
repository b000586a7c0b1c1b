"""Sequence files: what ships can be used; every mistake of a file is named at once."""

import tomllib

import pytest

from benchlog.catalogue import (
    list_sequences,
    load_sequence,
    names,
    sequence_from_mapping,
)
from benchlog.errors import ConfigError, NotFoundError
from benchlog.model import CHARACTERISTICS, Drive, Loop, Step

SHIPPED = (
    "ageing",
    "load",
    "pull-range",
    "retrace",
    "supply",
    "temperature-five-points",
    "temperature-sweep",
    "tolerance-at-reference",
    "warm-up",
)
HEAD = '[sequence]\nid = "x"\ntitle = "x"\nsource = "ours"\nfinds = ["supply"]\n'


def read(text: str):
    return sequence_from_mapping(tomllib.loads(HEAD + text), "x.toml")


def problems(text: str) -> dict[str, str]:
    with pytest.raises(ConfigError) as refused:
        read(text)
    return {one.key: f"{one.found}; {one.expected}" for one in refused.value.problems}


def test_what_ships_can_be_used_and_finds_each_characteristic():
    sequences, faults = list_sequences()
    assert not faults
    assert tuple(one.id for one in sequences) == SHIPPED == names("sequences")
    assert {one for each in sequences for one in each.finds} >= set(CHARACTERISTICS)


def test_a_way_becomes_a_step_for_each_of_its_points():
    steps = load_sequence("temperature-sweep").steps
    falling = [one for one in steps if one.name.startswith("falling")]
    assert [one.name for one in falling][::24] == ["falling 1", "falling 25"]
    places = [one.targets[0].place for one in falling]
    assert places[0].between == ("high", "low")
    assert [one.share for one in places] == [i / 24 for i in range(25)]
    assert all(one.settle for one in falling)


def test_a_loop_keeps_its_steps_and_its_pace():
    first, loop = load_sequence("ageing").steps
    assert isinstance(first, Step)
    assert isinstance(loop, Loop)
    assert (loop.times, loop.every_s, loop.steps[0].gates) == (720, 3600.0, 20)


def test_several_drives_in_one_step():
    (step,) = read(
        '[[step]]\nname = "a"\ntemperature_c = 25\nsupply_v = 3.3\nload_pf = "low"\n'
    ).steps
    assert {one.drive for one in step.targets} == {
        Drive.TEMPERATURE,
        Drive.SUPPLY,
        Drive.LOAD,
    }
    assert step.settle is False  # nothing is measured


@pytest.mark.parametrize(
    ("text", "key", "said"),
    [
        ("", "step", "missing"),
        ('[[step]]\nname = "a"\n', "step[0]", "does nothing"),
        ('[[step]]\nname = "a"\ngates = 0\n', "step[0].gates", "from 1"),
        ('[[step]]\nname = "a"\nwait = 5\n', "step[0].wait", "duration"),
        ('[[step]]\nname = "a"\nwait = "3y"\n', "step[0].wait", "duration"),
        (
            '[[step]]\nname = "a"\ntemperature_c = "tepid"\n',
            "step[0].temperature_c",
            "low, reference, high",
        ),
        (
            '[[step]]\nname = "a"\ntemperature_c = 500\n',
            "step[0].temperature_c",
            "-200 to 400",
        ),
        (
            '[[step]]\nname = "a"\ntemperature_c = true\n',
            "step[0].temperature_c",
            "a number",
        ),
        (
            '[[step]]\nname = "a"\ntemperature_c = {from="low", to="high"}\n',
            "step[0].temperature_c",
            "either share or points",
        ),
        (
            '[[step]]\nname = "a"\ngates = 1\nramp_c_per_min = 2\n',
            "step[0].ramp_c_per_min",
            "temperature_c in the same step",
        ),
        (  # a step that takes for ever was an unexpected error of the dry run
            '[[step]]\nname = "a"\ntemperature_c = 9\nramp_c_per_min = 1e-308\n',
            "step[0].ramp_c_per_min",
            "at least 0.001",
        ),
        (
            '[[step]]\nname = "a"\npower = "off"\ngates = 3\n',
            "step[0].gates",
            "while the devices are off",
        ),
        ('[[step]]\nname = "a"\npower = "maybe"\n', "step[0].power", "off, or each"),
        ('[[step]]\nname = "a"\ngate = 3\n', "step[0].gate", "unknown key"),
        (
            '[[step]]\nname = "a"\nscan_for = "1h"\npower = "on"\n',
            "step[0].gates",
            "missing",
        ),
        ("[[step]]\ntimes = 3\nstep = []\n", "step[0].step", "no step"),
        (
            "[[step]]\ntimes = 3\n[[step.step]]\ntimes = 2\n[[step.step.step]]\n",
            "step[0].step[0].step",
            "loop in a loop",
        ),
        (
            '[[step]]\ntimes = 9999\n[[step.step]]\nname="a"\ngates=1\n'
            '[[step.step]]\nname="b"\ngates=1\n',
            "step",
            "at most 10000",
        ),
        (
            '[[step]]\nname = "a"\ntemperature_c = {from="low", to="high", points=3}\n'
            'supply_v = {from="low", to="high", points=4}\n',
            "step[0]",
            "different lengths",
        ),
        (
            '[bounds]\ntemperature_c = [80, -40]\n[[step]]\nname="a"\ngates=1\n',
            "bounds.temperature_c",
            "low < high",
        ),
        (
            '[settled]\nwindow = "0s"\nprobe_band_c = 0\n[[step]]\nname="a"\ngates=1\n',
            "settled.probe_band_c",
            "above 0",
        ),
    ],
)
def test_each_mistake_is_named(text: str, key: str, said: str):
    found = problems(text)
    assert key in found
    assert said in found[key]


def test_a_sequence_without_steps_is_none():
    document = {**tomllib.loads(HEAD), "step": []}
    with pytest.raises(ConfigError, match="at least one"):
        sequence_from_mapping(document, "x.toml")


def test_what_it_finds_is_checked():
    text = HEAD.replace('"supply"', '"supply", "supply", "colour"')
    with pytest.raises(ConfigError) as refused:
        sequence_from_mapping(
            tomllib.loads(text + '[[step]]\nname="a"\ngates=1\n'), "x.toml"
        )
    assert [one.key for one in refused.value.problems] == [
        "sequence.finds[1]",
        "sequence.finds[2]",
    ]


def test_a_name_that_is_nearly_one():
    with pytest.raises(NotFoundError, match="temperature-sweep"):
        load_sequence("temperature-sweeps")


def test_power_may_be_switched_anew_for_each_device():
    table = '[[step]]\nname = "a"\npower = "each"\ngates = 1\n'
    found = problems(table)
    assert "off so long" in found["step[0].power"]
    (whole,) = read(table + 'wait = "5s"\nscan_for = "20s"\n').steps
    assert whole.anew
    assert whole.power is True
    assert not whole.settle
