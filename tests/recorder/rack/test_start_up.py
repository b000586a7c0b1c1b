"""Start-up of each device of a rack, switched on for it alone: the truth is known.

In turns with others, a device was looked at a round of all devices after power on: of a
rack of 16 behind one counter none could be decided against 5 s.
"""

from dataclasses import replace

import pytest
from recorder.rack.coverage_campaign import PART
from recorder.rack.virtual_devices import VirtualBench

from benchlog.catalogue import load_sequence
from benchlog.model import Decision
from benchlog.simulate.rack_scenario import rack_scenario

DEVICES = 16


@pytest.fixture(scope="module")
def bench():
    """The shipped sequence with short waits; a round of the loop takes 0.1 s."""
    sequence = load_sequence("warm-up")
    cold, on, _, start = sequence.steps
    brief = replace(cold, wait_s=60.0), replace(on, scan_s=30.0), start
    sequence = replace(sequence, finds=("start-up",), steps=brief)
    scenario = rack_scenario(PART, DEVICES, 5)
    return VirtualBench(scenario, PART, sequence, tick_s=0.1).go()


def test_each_start_up_is_known_to_about_a_gate_and_decided(bench):
    assert bench.rack.how == "sequence complete"
    for run in bench.rack.runs:
        line = bench.found(run)[1]["start-up"]
        true_s = bench.served.devices[run.position.channel].rack_spec.start_s
        assert abs(line.value - true_s) <= line.u / 0.95, "within the whole rectangle"
        assert line.u < 1.0
        decided = Decision.PASS if true_s < 5.0 - 2.0 else line.verdict
        assert line.verdict is decided


def test_a_start_up_turn_is_no_point_and_no_warm_up(bench):
    for run in bench.rack.runs:
        turns = run.turns()
        alone = [one for one in turns if one.started_s is not None]
        assert len(alone) == 1
        assert alone[0] is turns[-1]
        assert alone[0].since_power_s is None
        assert not [p for p in bench.points(run) if p.step.anew and p.turn.settled]


def test_a_supply_that_was_let_go_of_is_switched_on_and_every_run_is_told():
    """Before, it was switched on at the nominal voltage, and no event told so."""
    sequence = load_sequence("tolerance-at-reference")
    bench = VirtualBench(rack_scenario(PART, 2, 5), PART, sequence)
    bench.served.rack.set_output(False, 0.0)
    bench.go()
    assert bench.rack.how == "sequence complete"
    for run in bench.rack.runs:
        (told,) = [one.text for one in run.events if "switched on" in one.text]
        assert told.startswith("setter 'supply': switched on at 3.3 V, the part's")
        assert bench.found(run)[1]["offset-at-reference"].verdict is Decision.PASS


@pytest.mark.parametrize(
    ("runs", "told"),
    [(False, "it did not start"), (True, "it gave a signal without power")],
)
def test_a_device_without_a_start_is_told_so_and_holds_up_nobody(runs, told):
    sequence = load_sequence("warm-up")
    sequence = replace(sequence, finds=("start-up",), steps=sequence.steps[-1:])
    bench = VirtualBench(rack_scenario(PART, 2, 5), PART, sequence, tick_s=0.1)
    bench.served.devices[101].runs = lambda _: runs
    bench.go()
    odd, well = (bench.found(run)[1]["start-up"] for run in bench.rack.runs)
    assert odd.verdict is Decision.UNDECIDED
    assert odd.text == f"{told} when it was looked at alone"
    assert well.value is not None
