"""What setters report, and what must end in the safe state; without any process."""

from types import SimpleNamespace

import pytest

from benchlog.clock import VirtualClock
from benchlog.model import InstrumentSpec
from benchlog.recorder.rack.rack_reports import RackReports, SafeStopError
from benchlog.recorder.rack.setter_handle import SetterReport
from benchlog.recorder.rack.setter_job import SetterJob


@pytest.fixture
def watched():
    """Reports of a chamber and a scanner; the chamber is given no time out of reach."""
    quantities = {"chamber": "temperature", "scanner": "channel"}
    specs = {
        name: InstrumentSpec(
            name=name, driver="d", address="", options={}, quantity=quantity
        )
        for name, quantity in quantities.items()
    }
    told = []
    keeper = SimpleNamespace(
        surroundings=SimpleNamespace(clock=VirtualClock()),
        setters={
            name: SimpleNamespace(
                job=SetterJob(spec=spec, bounds=(0.0, 50.0), dead_man_s=0.0),
                latest=None,
            )
            for name, spec in specs.items()
        },
        trouble_all=lambda text, name: told.append(text),
        book=SimpleNamespace(
            runs=SimpleNamespace(all=list, queue=SimpleNamespace(add=None))
        ),
    )
    task = SimpleNamespace(
        bench=SimpleNamespace(instruments=specs),
        bounds=dict.fromkeys(specs, (0.0, 50.0)),
        setters_of=lambda _: ("chamber",),
    )
    return RackReports(keeper, task)


def goes_on(watched):
    watched._watch()  # private: what the script does at each step


def stops(watched):
    with pytest.raises(SafeStopError) as stop:
        goes_on(watched)
    return str(stop.value)


def report(kind, **more):
    return SetterReport(kind=kind, **more)


def ordered(watched, value):
    watched.heard("chamber", report("done", number=1, ordered=value, read_back=value))


def test_a_silence_before_anything_was_ordered_is_no_alarm(watched):
    watched.heard("chamber", report("released", text="the keeper's silence"))
    goes_on(watched)


def test_one_that_was_let_go_of_meanwhile_stops_all(watched):
    ordered(watched, 40.0)
    watched.heard("chamber", report("released", text="the keeper's silence"))
    assert "the keeper's silence" in stops(watched)


def test_a_process_that_ended_stops_all(watched):
    watched.heard("scanner", report("ended", text="its process ended (status -9)"))
    assert stops(watched) == "setter 'scanner': its process ended (status -9)"


def test_an_instruments_process_that_ended_stops_all(watched):
    watched.lost("instrument 'probe'", "its process ended by SIGKILL")
    assert "'probe'" in stops(watched)


def test_what_ended_before_the_watch_began_was_started_again(watched):
    watched.heard("chamber", report("ended", text="its process ended"))
    watched.begin_watch()
    goes_on(watched)


def test_a_chamber_out_of_reach_stops_all(watched):
    watched.heard("chamber", report("fault", text="nobody answers"))
    assert stops(watched) == "setter 'chamber' cannot be reached: nobody answers"


def test_one_that_answers_again_in_time_does_not(watched):
    watched.heard("chamber", report("fault", text="nobody answers"))
    watched.heard("chamber", report("state", value=25.0, mono_ns=1, utc_ns=1))
    goes_on(watched)


def test_a_contact_that_does_not_move_stops_nothing(watched):
    watched.heard("scanner", report("fault", text="a contact is stuck or lost"))
    goes_on(watched)


def test_a_set_point_that_changed_by_itself_stops_all(watched):
    ordered(watched, 40.0)
    watched.heard("chamber", report("state", read_back=39.96))
    goes_on(watched)
    watched.heard("chamber", report("state", read_back=23.0))
    assert "was set to 40 and has 23 by now" in stops(watched)


def test_what_was_let_go_of_may_be_set_to_anything(watched):
    ordered(watched, 40.0)
    watched.heard("chamber", report("state", read_back=23.0, released=True))
    goes_on(watched)
