"""A supply that holds less than it is set to, and says that it was set right.

Before, a supply in its current limit fed devices with 2.9 V where 3.3 V were ordered;
it read 3.3 V back, and the sequence went on: offsets and pushing of a voltage that was
not there. What it measured was a condition of the run that nobody looked at.
"""

import pytest
from recorder.rack.coverage_campaign import PART
from recorder.rack.virtual_devices import VirtualBench

from benchlog.catalogue import load_sequence
from benchlog.simulate.rack_scenario import rack_scenario


def gone_through(measured):
    sequence = load_sequence("tolerance-at-reference")
    bench = VirtualBench(rack_scenario(PART, 2, 5), PART, sequence)
    supply = bench.rack.setters["supply"].driver
    true = supply.measured
    supply.measured = lambda: measured(bench, true())
    return bench.go().rack


@pytest.mark.parametrize("volts", [0.0, 2.9, 3.39])
def test_a_supply_that_does_not_hold_its_voltage_stops_the_sequence(volts):
    rack = gone_through(lambda bench, true: volts if true else 0.0)
    assert rack.how.startswith(
        "made safe: setter 'supply' is set to 3.3 V and measures"
    )
    assert rack.setters["supply"].driver.releases
    assert not any(turn.settled for run in rack.runs for turn in run.turns())


@pytest.mark.parametrize("error", [-0.04, 0.05])
def test_the_error_of_its_own_meter_stops_nothing(error):
    rack = gone_through(lambda bench, true: true + error if true else 0.0)
    assert rack.how == "sequence complete"


def test_an_output_may_take_a_moment():
    looks = []

    def rising(bench, true):
        looks.extend([true] if true else [])
        return true * min(1.0, len(looks) / 3)

    rack = gone_through(rising)
    assert rack.how == "sequence complete"
    assert not told_of(rack)


def told_of(rack):
    return [text for text in rack.notes if "V at a look" in text]


@pytest.mark.parametrize("looks", [1, 2])
def test_a_look_or_two_that_are_off_are_told(looks):
    """Before, they were told nowhere but in the rows of each minute, if at all."""
    seen = []

    def at_times(bench, true):
        seen.extend([true] if true else [])
        return true + 0.25 * (true > 0 and len(seen) % 7 < looks and len(seen) >= 7)

    rack = gone_through(at_times)
    assert rack.how == "sequence complete"
    assert len(told_of(rack)) == sum(k % 7 < looks for k in range(7, len(seen) + 1))
    assert told_of(rack)[0] == (
        "setter 'supply' is set to 3.3 V and measures 3.55 V at a look"
    )
