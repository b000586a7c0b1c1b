"""A sequence gone on with later, with another setter than before: refused, or told.

Before, whoever answered was taken: another chamber may be heating somebody else's
devices, and another scanner's channels lead to other ones.
"""

import json
import os
import re
import signal
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from recorder.rack.test_rack_keeper import QUICK, SCALE, Shop, end, shop
from scanned_shop import PROGRAM, scanned_shop

from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.evaluation.rack_study import next_step
from benchlog.model import Event, EventKind, Flag
from benchlog.recorder.rack.known_setters import known_setters, newest, words_of
from benchlog.simulate.instruments.scpi_rack import SimulatedScanner
from benchlog.simulate.rack_bench import SimulatedRack

__all__ = ["shop"]
QUIET = ("--no-screen", "--json", "--db", "s.db")


def with_others(shop: Shop, addresses):
    """Let the bench file name what another rack has as its loads."""
    path = shop.folder / "rack.toml"
    text = path.read_text()
    assert shop.rack.addresses()["loads"] in text
    path.write_text(text.replace(shop.rack.addresses()["loads"], addresses["loads"]))


def test_another_setter_is_refused_unless_it_was_exchanged(shop):
    """Killed in its second step, gone on with when it is told who is there now."""
    shop.steps(QUICK)
    process = shop.start()
    shop.wait_for("step 2 'warm' begins", EventKind.SEQUENCE)
    process.kill()
    process.communicate()
    shop.wait_until_safe()
    with shop.reader() as reader:
        assert next_step(reader, list(reader.all_runs())) == 1
    was = next(text for text in shop.events(EventKind.SETTER) if "'loads' is" in text)
    with SimulatedRack(
        replace(shop.rack.scenario, seed=99), HostClock(scale=SCALE)
    ) as other:
        with_others(shop, other.addresses())
        status, _, told = end(shop.start("--resume-last"))
        assert status not in (0, 3, 4), told
        assert re.search(r"setter 'loads': .* answers where 'SIMULATED,.* was", told)
        assert "or add --exchanged loads if it was exchanged; nothing was set" in told
        assert not shop.rack.rack.output
        with shop.reader() as reader:
            assert [len(reader.segments(run.id)) for run in reader.all_runs()] == [
                1
            ] * 3
        status, _, told = end(shop.start("--resume-last", "--exchanged", "load"))
        assert status == 2 and "no setter 'load'; it has" in told
        status, out, told = end(
            shop.start("--resume-last", "--exchanged", "loads"), within_s=300
        )
        assert status in (0, 3, 4), told
        found = json.loads(out)
        assert found["steps_done"] == 2, told
        assert [one["points"] for one in found["devices"]] == [2, 2, 2]
        assert shop.safe()
        status, _, told = end(shop.start("--resume-last"))
        assert status == 2 and "qualification that was cut" in told
    assert any("C by now" in text for text in shop.events(EventKind.SETTER))
    said = [text for text in shop.events(EventKind.SETTER) if "'loads' is" in text]
    (now,) = {text for text in said if "exchanged for" in text}
    assert now.partition(" for ")[2] == was.partition(" is ")[2]
    assert len(said) == 6  # each segment of three runs


def kept_scanners(monkeypatch):
    """Return the list that the simulated scanners to come are kept in."""
    made, build = [], SimulatedScanner.__init__

    def kept(self, *args, **named):
        build(self, *args, **named)
        made.append(self)

    monkeypatch.setattr(SimulatedScanner, "__init__", kept)
    return made


def test_the_scanner_of_a_soak_must_be_the_one_it_was(tmp_path, monkeypatch):
    """Nothing is measured through another one; the run waits for the right one."""
    made = kept_scanners(monkeypatch)
    environment = os.environ | {"BENCHLOG_TIME_SCALE": str(SCALE)}
    with scanned_shop(tmp_path, environment) as one:
        words = one.words("soak", *one.placed("P01", "P03"), "--for", "10h", *QUIET)
        with one.start(words) as process:
            one.wait_for(8)
            process.kill()
            process.communicate()
        right, before = made[0].identity, one.readings()
        made[0].identity = "SIMULATED,Rack Scanner,ANOTHER,1.0"
        again = [*PROGRAM, "soak", "--resume-last", "--trust", *QUIET]
        with one.start(again) as process:
            said = wait_until(lambda: refusals(one))
            assert f"answers where '{right}' was" in said[0]
            host_sleep(1.0)
            assert one.readings() == before
            assert not one.rack.rack.scanner.closed
            made[0].identity = right
            one.wait_for(before + 8)
            # plugs exchanged while the connection holds: noticed at the next turn
            told = len(refusals(one))
            made[0].identity = "SIMULATED,Rack Scanner,ANOTHER,1.0"
            wait_until(lambda: len(refusals(one)) > told)
            before = one.readings()
            host_sleep(1.0)
            assert one.readings() == before
            process.send_signal(signal.SIGINT)
            process.communicate(timeout=60)
        for columns in one.require_own_readings().values():
            assert len(set(columns.segment.tolist())) == 2
            assert (columns.flags & Flag.TURN).any()


@pytest.mark.campaign  # every suite has it at the end of the test above
def test_plugs_exchanged_behind_a_gateway_are_noticed_at_the_next_turn(
    tmp_path, monkeypatch
):
    """Before, nobody asked while the connection held: 479 of 2,386 readings of two
    racks whose scanners were exchanged for 15 s were of other devices.
    """
    made = kept_scanners(monkeypatch)
    environment = os.environ | {"BENCHLOG_TIME_SCALE": str(SCALE)}
    with scanned_shop(tmp_path, environment) as one:
        words = one.words("soak", *one.placed("P01", "P03"), "--for", "10h", *QUIET)
        with one.start(words) as process:
            one.wait_for(8)
            right = made[0].identity
            made[0].identity = "SIMULATED,Rack Scanner,ANOTHER,1.0"
            assert f"'{right}' was" in wait_until(lambda: refusals(one))[0]
            before = one.readings()
            host_sleep(2.0)
            assert one.readings() == before
            made[0].identity = right
            one.wait_for(before + 8)
            process.send_signal(signal.SIGINT)
            process.communicate(timeout=60)
        one.require_own_readings()


def refusals(shop):
    found = shop.events(1, EventKind.SETTER)
    return [text for text in found if "is given no orders" in text]


def wait_until(found, within_s=60.0):
    limit = host_deadline(within_s)
    while not (what := found()):
        assert not limit.passed, "not within its time"
        host_sleep(0.1)
    return what


# --- who they were, as it is kept


def event(kind=EventKind.SETTER, raw=b"", text=""):
    return Event(1, 1, kind, text, "", raw)


def test_the_newest_counts_whichever_run_has_it():
    first, second = (event(raw=words_of("supply", who)[1]) for who in ("A", "B"))
    one = known_setters([(1, first), (7, second)])
    other = known_setters([(4, first), (5, event(raw=words_of("chamber", "C")[1]))])
    assert newest([one, other]) == {"supply": "B", "chamber": "C"}
    assert newest([other]) == {"supply": "A", "chamber": "C"}


@pytest.mark.parametrize("raw", [b"{", b"[]", b'{"setter": 1}', b'{"is": 3}', b"\xff"])
def test_what_nobody_wrote_is_nobody(raw):
    assert known_setters([(1, event(raw=raw))]) == {}


@given(st.text(), st.text())
def test_who_it_is_comes_back_as_it_was(name, who):
    (found,) = known_setters([(3, event(raw=words_of(name, who)[1]))]).items()
    assert found == (name, (3, who))
