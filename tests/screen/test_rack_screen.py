"""The rack at a glance, and a device's characteristic as it grows."""

import math
from contextlib import closing
from dataclasses import replace

import pytest
from rack_scene import PART, WIDE, write_rack
from screen.looking import settled, until

from benchlog.catalogue import load_sequence
from benchlog.evaluation.rack.time_left import time_left_s
from benchlog.evaluation.rack_study import qualification_of
from benchlog.screen import control_client
from benchlog.screen.app import BenchApp
from benchlog.screen.rack.rack_screen import now_text
from benchlog.screen.run_status import KeeperStatus
from benchlog.screen.screen_host import ScreenOptions
from benchlog.store.reader import Reader
from benchlog.verdict.rack.bounds import bounds_of
from benchlog.verdict.rack.durations import ThermalModel, expected_steps
from benchlog.verdict.rack.planned_steps import planned_steps


def opened(path, run=1):
    return BenchApp(ScreenOptions(database=path, run=run, onlooker=True))


@pytest.fixture(scope="module")
def sweep(tmp_path_factory):
    path = tmp_path_factory.mktemp("racks") / "q.db"
    write_rack(path, "temperature-sweep", steps=40, open_=True)
    return path


LARGER = [pytest.param(x, marks=pytest.mark.campaign) for x in [(120, 40), (200, 50)]]


@pytest.mark.parametrize("size", [(80, 24), *LARGER])
async def test_each_device_is_a_row_with_offset_state_and_verdict(sweep, size):
    async with opened(sweep).run_test(size=size) as pilot:
        await until(pilot, "3 devices: ")
        shown = await settled(pilot)
    rows = [line for line in shown.splitlines() if "VX-" in line]
    assert [row.split()[:2] for row in rows] == [
        ["P01", "VX-1"],
        ["P02", "VX-2"],
        ["P03", "VX-3"],
    ]
    assert all("measured" in row and "? UNDECIDED" in row for row in rows)
    assert ("hysteresis 0." in rows[0]) == (size[0] > 100)  # where there is room
    assert "40 of 57 steps measured" in shown
    assert "last: rising" in shown


async def test_enter_shows_the_characteristic_of_the_chosen_device(sweep):
    async with opened(sweep).run_test(size=(80, 24)) as pilot:
        await until(pilot, "3 devices: ")
        await pilot.press("down", "enter")
        shown = await until(pilot, "against temperature")
        assert "device VX-2" in shown and "^ rising  v falling" in shown
        picture = [line for line in shown.splitlines() if "|" in line]
        assert any("^" in line for line in picture)
        assert any("v" in line for line in picture)
        assert "hysteresis" in shown and "frequency-temperature" in shown
        await pilot.press("escape")
        assert "VX-3" in await until(pilot, "3 devices: ")
        await pilot.press("question_mark")
        words = " ".join((await settled(pilot)).split())
    assert "show the characteristic of the device; Esc comes back" in words


async def test_the_run_that_was_named_is_chosen(sweep):
    """Before, `watch 3` of a rack wrote a note on the device of run 1."""
    async with opened(sweep, run=3).run_test(size=(80, 24)) as pilot:
        await until(pilot, "3 devices: ")
        await pilot.press("enter")
        assert "device VX-3" in await until(pilot, "against temperature")


@pytest.mark.campaign  # every suite: at the end of the second test above
async def test_help_tells_the_keys_of_the_rack(sweep):
    async with opened(sweep).run_test(size=(80, 24)) as pilot:
        await until(pilot, "3 devices: ")
        await pilot.press("question_mark")
        shown = await settled(pilot)
    assert "show the characteristic of the device; Esc comes back" in " ".join(
        shown.split()
    )


async def test_what_is_measured_meanwhile_comes_in(tmp_path):
    path = tmp_path / "q.db"
    write_rack(path, "supply", devices=2, steps=1, open_=True)
    async with opened(path).run_test(size=(80, 24)) as pilot:
        await until(pilot, "1 of 5 steps measured")
        await pilot.press("enter")
        await until(pilot, "No curve yet")
        path.unlink()
        write_rack(path, "supply", devices=2, steps=3, open_=True)
        assert "device VX-1" in await until(pilot, "against supply", 12.0)


async def test_the_time_left_is_that_of_the_plan(tmp_path):
    path = tmp_path / "q.db"
    write_rack(path, "temperature-five-points", devices=4, steps=4, open_=True)
    async with opened(path).run_test(size=(120, 40)) as pilot:
        shown = await until(pilot, "4 of 6 steps measured")
    # what `qualify --dry-run` tells of the last two steps, from the sequence's file
    sequence = load_sequence("temperature-five-points")
    planned = planned_steps(sequence, PART, bounds_of(PART, sequence, WIDE))
    model = ThermalModel(devices=4)
    expected = expected_steps(planned, sequence.settled, PART, model)
    left_s = expected[-1].end_s - expected[4].begin_s
    assert f"about {math.ceil(left_s / 60)} min left" in shown


async def test_a_rack_whose_keeper_is_gone_tells_how_it_goes_on(sweep, monkeypatch):
    """Nothing that only a keeper could do is offered."""

    async def gone(*_):
        return KeeperStatus(state="gone")

    monkeypatch.setattr(control_client, "hear", gone)
    async with opened(sweep).run_test(size=(80, 24)) as pilot:
        shown = await until(pilot, "cut: nobody keeps it")
        assert "`benchlog qualify --resume-last` goes on" in shown
        assert "stop s" not in await settled(pilot)


def test_what_is_waited_for_is_what_the_keeper_tells(sweep):
    with closing(Reader.open(sweep)) as reader:
        found = qualification_of(reader, 1)
    said = "step 3 'warm': waits until the air has settled"
    here = KeeperStatus(state="here", now=said)
    assert now_text(found, here) == f"now: {said}"
    assert now_text(found, KeeperStatus(state="here")) == ""


def test_steps_that_wait_have_their_time_too(tmp_path):
    """Of the plan's own times: an hour of 26 is over, then half an hour more."""
    path = tmp_path / "q.db"
    write_rack(path, "retrace", devices=2, steps=1, open_=True)
    with closing(Reader.open(path)) as reader:
        found = qualification_of(reader, 1)
    ends = [3_600.0, 90_000.0, 93_600.0]
    steps = tuple(
        replace(one, begins_s=end - 1.0, ends_s=end)
        for one, end in zip(found.plan.steps, ends, strict=True)
    )
    found = replace(found, plan=replace(found.plan, steps=steps))
    assert time_left_s(found) == 90_000.0
    last_ns = max(one.points[-1].turn.end_utc_ns for one in found.devices)
    assert time_left_s(found, last_ns + 1_800 * 10**9) == 88_200.0


async def test_no_time_is_told_where_the_sequence_waits(tmp_path):
    path = tmp_path / "q.db"
    write_rack(path, "retrace", devices=2, steps=1, open_=True)
    async with opened(path).run_test(size=(120, 40)) as pilot:
        assert " left" not in await until(pilot, "1 of 3 steps measured")
