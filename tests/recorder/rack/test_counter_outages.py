"""A counter that is itself out of order tells nothing of the device whose turn it is.

Before, its silence was the device's: `no signal` at a temperature, and a start-up time
that was as long as the counter had been away, with a U of a gate and a fail.
"""

from dataclasses import replace

import pytest
from recorder.rack.coverage_campaign import PART
from recorder.rack.virtual_devices import VirtualBench
from recorder.rack.virtual_rack import NOTHING
from tiers import seldom

from benchlog.catalogue import load_sequence
from benchlog.model import Decision, EventKind, Identity
from benchlog.recorder.instruments.instrument_messages import Failed, Opened
from benchlog.recorder.instruments.instrument_pool import Ended
from benchlog.recorder.rack import rack_turns
from benchlog.simulate.rack_scenario import rack_scenario

HUNG = Ended("did not come back in time and was ended", EventKind.HUNG)
SILENT = Failed(kind="silent", message="no answer", address="", command="", raw=b"")
OPENED = Opened(
    identity=Identity("MAKER,COUNTER,7,1"),
    quantity="frequency",
    unit="Hz",
    read_limit_s=1.0,
    period_s=0.0,
)


@pytest.fixture
def brief(monkeypatch):
    """Turns that give nothing end soon."""
    # private: ten real seconds beyond the gates, by our rule
    monkeypatch.setattr(rack_turns, "_MARGIN_S", 0.05)


def bench_of(sequence, fails, said):
    """Return a bench whose counter says `said` and nothing else when it `fails`."""
    bench = VirtualBench(rack_scenario(PART, 2, 5), PART, sequence, tick_s=0.1)
    count = bench.rack._count  # private: the test stands in for the counter

    def faulty(run):
        if not fails(bench, run):
            return count(run)
        for one in said:
            bench.rack.script.outages.heard("counter", one)
        return NOTHING

    bench.rack._count = faulty  # private: as above
    return bench.go()


@pytest.mark.parametrize("said", [(HUNG, OPENED), (SILENT,)])
def test_a_start_that_the_counter_missed_is_not_known(brief, said):
    sequence = load_sequence("warm-up")
    sequence = replace(sequence, finds=("start-up",), steps=sequence.steps[-1:])
    looks = []

    def fails(bench, run):
        """Of the first device, three looks from power on."""
        fed = bench.served.rack.output and run.run_id == 1
        looks.extend([run] * fed)
        return fed and len(looks) <= 3

    bench = bench_of(sequence, fails, said)
    missed, well = (bench.found(run)[1]["start-up"] for run in bench.rack.runs)
    assert missed.value is None
    assert missed.verdict is Decision.UNDECIDED
    assert "did not start" not in missed.text
    assert well.value is not None


@pytest.mark.parametrize(
    ("said", "noted"),
    [
        seldom((HUNG, OPENED), False),  # every suite: at a start, above
        ((SILENT,), False),
        ((SILENT, OPENED), True),
    ],
)
def test_no_device_is_silent_because_its_counter_is(brief, said, noted):
    """One that answers anew when it is opened, and gives no value, has no signal."""
    sequence = load_sequence("tolerance-at-reference")

    def fails(_, run):
        return run.run_id == 1

    bench = bench_of(sequence, fails, said)
    assert bench.rack.how == "sequence complete"
    first, second = (run.turns() for run in bench.rack.runs)
    assert [one.ran for one in first] == ([False] if noted else [])
    assert [one.ran for one in second] == [True]
