"""A chamber that cannot be asked for a while, and says then where it is.

Before, what it had told on its way was held against the bench's probe, which stood
still by then: the sequence ended, as if the chamber lied.
"""

from recorder.rack.coverage_campaign import PART
from recorder.rack.virtual_devices import VirtualBench

from benchlog.catalogue import load_sequence
from benchlog.errors import SilentError
from benchlog.simulate.rack_scenario import rack_scenario
from benchlog.units import NS_PER_S

EVERY_S, SILENT_S = 1200.0, 300.0


def gone_through(told=lambda celsius: celsius):
    sequence = load_sequence("temperature-five-points")
    bench = VirtualBench(rack_scenario(PART, 1, 5), PART, sequence)
    chamber = bench.rack.setters["chamber"].driver
    measured, began_ns = chamber.measured, bench.clock.mono_ns()

    def answer():
        at_s = (bench.clock.mono_ns() - began_ns) / NS_PER_S
        if at_s % EVERY_S > EVERY_S - SILENT_S:
            raise SilentError("no answer")
        return told(measured())

    chamber.measured = answer
    return bench.go().rack


def test_what_a_chamber_told_before_it_fell_silent_is_no_lie():
    assert gone_through().how == "sequence complete"


def test_a_lie_is_found_once_it_answers_again():
    rack = gone_through(lambda celsius: celsius + 9.0)
    assert rack.how.startswith("made safe: chamber 'chamber' tells")
