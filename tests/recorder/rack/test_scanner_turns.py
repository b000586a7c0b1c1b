"""Devices behind one scanner, over real sockets: turns, trouble, no wrong id."""

import json
import os
import signal
import threading

import pytest
from scanned_shop import (
    PROGRAM,
    SCALE,
    close_behind_its_back,
    figures,
    scanned_shop,
)

from benchlog.clock import host_deadline, host_sleep
from benchlog.model import EventKind, Flag

ALL = ("P01", "P02", "P03")
QUIET = ("--no-screen", "--json", "--db", "s.db")


@pytest.fixture
def shop(tmp_path):
    environment = os.environ | {"BENCHLOG_TIME_SCALE": str(SCALE)}
    with scanned_shop(tmp_path, environment) as found:
        yield found


def test_each_device_has_its_turns_and_no_gap(shop):
    words = shop.words("measure", *shop.placed(*ALL), "--readings", "12", *QUIET)
    found = figures(shop.run(words))
    assert [one["readings"] for one in found] == [12, 12, 12]
    for one in found:
        # what a busy host holds up is told and counted; a turn never is
        assert one["gaps"] == len(shop.events(one["run"], EventKind.GAP))
        assert (one["turns"]["turns"], one["turns"]["gates"]) == (3, 4)
        assert one["turns"]["spacing_s"] > 12 * 0.9
        assert one["turns"]["live_share"] <= 0.34
        assert any("in turns" in reason for reason in one["reasons"])
        assert not shop.events(one["run"], EventKind.REJECTED)
    for columns in shop.require_own_readings().values():
        begun = (columns.flags & Flag.TURN) != 0
        assert begun.nonzero()[0].tolist() == [0, 4, 8]
        assert not ((columns.flags & Flag.GAP_BEFORE) != 0)[begun].any()
    assert not shop.rack.rack.scanner.closed  # let go of at the end


def test_one_device_alone_has_the_counter_for_itself(shop):
    words = shop.words("measure", *shop.placed("P02"), "--readings", "12", *QUIET)
    found = figures(shop.run(words))
    assert (found["readings"], found["gaps"], found["turns"]) == (12, 0, None)
    (columns,) = shop.require_own_readings().values()
    assert not (columns.flags & (Flag.TURN | Flag.GAP_BEFORE)).any()


@pytest.mark.campaign  # every suite: drivers/test_setters.py, the scanner's check
def test_a_contact_that_sticks_is_told_and_measures_nobody(shop):
    words = shop.words("soak", *shop.placed(*ALL), "--for", "4m", *QUIET)
    with shop.start(words) as process:
        shop.wait_for(9)
        shop.rack.command("scanner stuck 102")
        host_sleep(2.0)
        before = shop.readings()
        shop.rack.command("scanner ok")
        shop.wait_for(before + 9)
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=60)
    shop.require_own_readings()
    said = [shop.events(run, EventKind.SETTER) for run in (1, 2, 3)]
    assert any("stuck or lost" in text for texts in said for text in texts)
    again = ("closed alone again", "obeys again")
    assert any(one in text for texts in said for text in texts for one in again)


@pytest.mark.campaign  # a rack's turns, which the same code checks, meet them
@pytest.mark.parametrize("channels", [(103,), (101, 103), ()])
def test_a_channel_switched_within_a_turn_gives_nobody_a_reading(shop, channels):
    """Another one closed, two at once, none: told, and nothing under a wrong id."""
    words = shop.words("soak", *shop.placed("P01"), "--for", "1h", *QUIET)
    with shop.start(words) as process:
        shop.wait_for(5)
        close_behind_its_back(shop.rack, *channels) if channels else None
        if not channels:
            shop.rack.command("scanner lost 101")
            host_sleep(1.0)
            shop.rack.command("scanner ok")
        before = shop.readings()
        shop.wait_for(before + 8)
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=60)
    columns = shop.require_own_readings()["P01"]
    assert (columns.flags & Flag.GAP_BEFORE).any()
    # the keeper's check tells it, or the scanner's own process that looked before it
    told, said = ("broken off", "closed at once"), shop.events(1, EventKind.SETTER)
    assert any(one in text for text in said for one in told), said


def test_a_device_without_a_signal_stops_nobody(shop):
    shop.rack.devices[102].switch(False, shop.rack.world.now_s())
    words = shop.words("measure", *shop.placed(*ALL), "--readings", "12", *QUIET)
    found = figures(shop.run(words))
    assert [one["readings"] for one in found] == [12, 0, 12]
    assert found[1]["ended_how"] == "no readings came"
    assert len(shop.events(found[1]["run"], EventKind.NO_SIGNAL)) == 1
    for one in found:
        assert one["gaps"] == len(shop.events(one["run"], EventKind.GAP))


@pytest.mark.campaign  # every suite goes on in test_exchanged_setters.py
def test_a_soak_that_was_killed_goes_on_in_turns(shop):
    words = shop.words("soak", *shop.placed("P01", "P03"), "--for", "5m", *QUIET)
    with shop.start(words) as process:
        shop.wait_for(10)
        process.kill()
        process.communicate()
    again = [*PROGRAM, "soak", "--resume-last", "--trust", *QUIET]
    found = figures(shop.run(again))
    assert all(one["readings"] and one["gaps"] for one in found)
    for columns in shop.require_own_readings().values():
        assert len(set(columns.segment.tolist())) == 2
        assert (columns.flags & Flag.TURN).any()


def test_a_scanner_that_does_not_answer_is_told_before_anything_is_recorded(shop):
    text = (shop.folder / "rack.toml").read_text()
    port = shop.rack.addresses()["scanner"]
    text = text.replace(port, "TCPIP::127.0.0.1::1::SOCKET")
    (shop.folder / "rack.toml").write_text(text)
    done = shop.run(shop.words("measure", *shop.placed("P01"), *QUIET))
    assert done.returncode == 1
    assert "scanner 'scanner'" in done.stderr
    assert "nothing was measured" in done.stderr


@pytest.mark.campaign  # every suite has one whose devices come and go, below
def test_a_lot_is_inspected_in_turns(shop):
    (shop.folder / "ids").write_text("A-1\nA-2\nA-3\nA-4\n")
    plan = ("--lot", "L", "--lot-size", "4", "--full", "--ids", "ids")
    places = ("--position", "P01", "--position", "P02")
    done = shop.run(shop.words("inspect", *plan, *places, *QUIET))
    found = figures(done)
    assert found["passed"] + found["failed"] == 4, done.stderr
    shop.require_own_readings()
    assert not shop.rack.rack.scanner.closed


def put_in(shop, channel, there=True):
    """Put a device into its place, or take it out: without power it gives nothing."""
    shop.rack.devices[channel].switch(there, shop.rack.world.now_s())


def wait_told(told, text, within_s=90):
    limit = host_deadline(within_s)
    while not any(text in line for line in told):
        assert not limit.passed, (text, told)
        host_sleep(0.05)


@pytest.fixture
def door(tmp_path):
    environment = os.environ | {"BENCHLOG_TIME_SCALE": str(SCALE)}
    with scanned_shop(tmp_path, environment, devices=2, warm=False) as found:
        yield found


def test_devices_that_come_and_go_are_watched_in_turns(door):
    """Two places, one counter: each device is seen, measured once, and asked out."""
    for channel in (101, 102):
        put_in(door, channel, there=False)
    plan = ("--lot", "W", "--lot-size", "3", "--full", "--auto-ids", "W-")
    places = ("--position", "P01", "--position", "P02")
    with door.start(door.words("inspect", *plan, *places, *QUIET)) as process:
        told = []
        reading = threading.Thread(target=lambda: told.extend(process.stderr))
        reading.start()
        host_sleep(1.0)  # both places are empty
        put_in(door, 102)
        wait_told(told, " 1/3 ")
        put_in(door, 101)
        put_in(door, 102, there=False)
        wait_told(told, " 2/3 ")
        wait_told(told, "the device at P02 is out: the next one, please")
        put_in(door, 102)
        process.wait(90)
        reading.join()
        found = json.loads(process.stdout.read())
    assert found["passed"] == 3, told
    assert not door.rack.rack.scanner.closed
    door.require_own_readings()
    with door.reader() as reader:
        placed = [run.position for run in reader.all_runs()]
    assert placed == ["P02", "P01", "P02"]
    wait_told(told, "a device is seen at P02")
