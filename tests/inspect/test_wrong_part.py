"""A device that can hardly be the part: the lot waits for an answer; a real bench."""

import math
import os
import signal
from collections.abc import Iterator
from contextlib import closing
from functools import partial

import pytest
from lot_shop import HURRIED_GATE_S, PART, Shop, document
from lot_table import Table, a_site, set_up
from screen.looking import line_says
from waiting import wait_for

from benchlog.clock import VirtualClock
from benchlog.model import LotRun, Sample
from benchlog.recorder.lot.device_site import IDLE_S
from benchlog.recorder.lot.lot_inspection import launch_lot
from benchlog.screen.inspection.app import LotApp
from benchlog.screen.inspection.headline import Headline
from benchlog.screen.inspection.lot_screen import LotOnScreen
from benchlog.screen.widgets.key_bar import keys_of
from benchlog.screen.widgets.text import PlainText

OTHER_PPM = -200_000.0
"""12.8 MHz where 16 MHz is promised."""


@pytest.fixture
def table(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> Iterator[Table]:
    with set_up(shop, monkeypatch, 300) as found:
        yield found


def asked_about(table: Table, device: str) -> LotRun:
    """Measure another part; its verdict and what is asked are committed in turn."""
    table.measure(device, OTHER_PPM)
    wait_for(lambda: bool(table.runs()[-1].held))
    return table.runs()[-1]


# on the screen, and where the right one is waited for, below
@pytest.mark.campaign
def test_it_counts_nothing_and_nothing_is_begun_until_answered(table: Table) -> None:
    run = asked_about(table, "a")
    assert run.held.startswith("it runs near 12.8 MHz, the part at 16 MHz")
    assert table.done() == 0
    assert "wrong-part" in table.shop.kinds(run.run)
    refused = table.ask("device", "b")
    assert not refused.ok and "answer first" in refused.error
    table.shop.bench.remove("A")
    table.shop.bench.insert("A", 2.0)
    table.let_gates_pass()
    assert len(table.runs()) == 1


def test_while_it_is_asked_about_no_other_device_is_missed(
    hurried: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    with set_up(hurried, monkeypatch, 300) as table:
        asked_about(table, "a")
        asked = table.ask("status").data["lot"]["said"]  # type: ignore[index]
        table.let_gates_pass(math.ceil(1.2 * IDLE_S / HURRIED_GATE_S))
        said = table.ask("status").data["lot"]["said"]  # type: ignore[index]
        assert said == asked and "no new device" not in said


@pytest.mark.campaign  # every suite does it by keys on the screen
def test_it_is_meant_and_counts_and_that_can_be_undone(table: Table) -> None:
    asked_about(table, "a")
    assert table.ask("meant").ok
    wait_for(lambda: table.runs()[0].counts)
    run = table.runs()[0]
    assert run.counts and run.word == "fail" and not run.held
    assert table.ask("undo").data["said"] == "undone: a is asked about again"
    wait_for(lambda: table.done() == 0 and bool(table.runs()[0].held))
    assert table.ask("device", "b").error.endswith("answer first what is asked")


def test_taken_out_the_right_one_is_waited_for_under_the_same_id(table: Table) -> None:
    run = asked_about(table, "a")
    assert run.held.startswith("it runs near 12.8 MHz, the part at 16 MHz")
    assert "wrong-part" in table.shop.kinds(run.run)
    assert table.ask("take-out").ok
    table.let_gates_pass()
    assert len(table.runs()) == 1, "the wrong one is still in"
    table.shop.bench.remove("A")
    wait_for(lambda: table.seen("A") is False)
    table.shop.bench.insert("A", 2.0)
    wait_for(lambda: table.done() == 1)
    kept = [(run.device, run.word, run.counts) for run in table.runs()]
    assert kept == [("a", "fail", False), ("a", "pass", True)]


@pytest.mark.campaign  # as above
def test_skipped_the_next_id_is_taken(table: Table) -> None:
    asked_about(table, "a")
    assert table.ask("skip").ok
    assert table.measure("b", 2.0).word == "pass"
    assert [(r.device, r.counts) for r in table.runs()] == [("a", False), ("b", True)]


def test_answered_while_it_is_still_measured(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    with set_up(shop, monkeypatch, 300) as table:
        shop.bench.remove("A")
        assert table.ask("device", "a").ok
        wait_for(lambda: table.seen("A") is False)
        shop.bench.insert("A", OTHER_PPM)
        wait_for(lambda: bool(table.runs()) and bool(table.runs()[0].held))
        assert table.ask("meant").ok
        wait_for(lambda: table.done() == 1)
        assert "restored" in shop.kinds(table.runs()[0].run)


@pytest.mark.campaign  # every suite: `test_what_is_asked_about`
def test_a_device_far_off_but_not_so_far_is_not_asked_about(table: Table) -> None:
    assert table.measure("a", 1_500.0).word == "fail"
    assert table.done() == 1


def test_what_is_asked_about() -> None:
    """So far off, in two values in a row, and once a run."""

    def said(*offsets_ppm: float) -> list[bool]:
        values = [16e6 * (1 + ppm * 1e-6) for ppm in offsets_ppm]
        return [bool(place.far_off(Sample(hz, "Hz", 0, 0, raw=b""))) for hz in values]

    place = a_site(VirtualClock())
    assert said(OTHER_PPM, OTHER_PPM) == [False, False], "nothing is measured"
    place.begun(1)
    assert not any(said(1_500.0, -1_500.0, 1_500.0, OTHER_PPM, 1_500.0))
    assert said(OTHER_PPM, OTHER_PPM, OTHER_PPM) == [False, True, False]
    place.ended()
    place.begun(2)
    assert said(OTHER_PPM, OTHER_PPM) == [False, True]


def test_what_is_asked_survives_a_kill(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    with set_up(shop, monkeypatch, 300) as table:
        asked_about(table, "a")
        os.kill(table.launched.process.pid, signal.SIGKILL)
        table.launched.process.wait(10)
        assert table.runs()[0].held and table.done() == 0
        with closing(launch_lot(table.task, shop.db)) as launched:
            again = Table(shop, table.task, launched)
            assert not again.ask("device", "b").ok
            assert again.ask("meant").ok
            assert again.done() == 1
            os.kill(launched.process.pid, signal.SIGKILL)
            launched.process.wait(10)
        with closing(launch_lot(table.task, shop.db)) as launched:
            again = Table(shop, table.task, launched)
            assert again.ask("undo").ok and again.runs()[0].held


def test_with_ids_from_a_list_nobody_is_asked_and_it_does_not_count(shop: Shop) -> None:
    shop.bench.insert("A", OTHER_PPM)
    few = ["--min-readings", "5", "--ids", "-", "--json"]
    done = shop.run([*shop.opening(10, 2, 0, *few)], "a\nb\n")
    found = document(done)
    assert done.returncode == 4 and found["decision"] == "open"
    assert [one["device"] for one in found["held"]] == ["a", "b"]
    assert found["remaining"] == 2
    said = shop.run(shop.words("--result")).stdout
    assert "held" in said and "until that is answered" in said
    assert PART in said


# --- on the screen: its keys, at a real keeper


async def test_asked_on_the_screen_and_answered_by_keys(table: Table) -> None:
    app = LotApp(LotOnScreen(table.shop.db, table.task.lot, table.launched.control))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = app.screen

        until = partial(line_says, pilot, limit_s=20.0)

        def bar() -> str:
            return " ".join(f"{key.does} {key.shown}" for key in keys_of(screen))

        await until("#todo", "scan or type its id")
        assert "take back F3" in bar() and "undo Ctrl+Z" in bar()
        table.shop.bench.insert("A", OTHER_PPM)
        await pilot.press(*"KX7", "enter")
        await until("#todo", "HELD: is KX7 the right part?")
        await until("#figures", "KX7 does not count: held until somebody answers")
        assert (
            "It is meant and counts: F9." in screen.query_one("#asked", PlainText).text
        )
        head = screen.query_one(Headline)
        assert [line.text for line in head.shown] == [
            "? OTHER PART", "KX7", "12.8 MHz",
        ]  # fmt: skip
        for offered in ("wrong part, take it out F2", "skip it F3", "it is meant F9"):
            assert offered in bar()
        assert "take back F3" not in bar() and "damaged F4" not in bar()
        await pilot.press(*"KX8", "enter")
        await until("#said", "KX8 is not taken: answer first")
        await pilot.press("f9")
        await until("#figures", "✗ KX7")
        await until("#counts", "1/4")
        await pilot.press("ctrl+z")
        await until("#todo", "HELD: is KX7 the right part?")
        await until("#counts", "0/4")
        await pilot.press("f3")
        await until("#todo", "put the next device in")
        assert "take back F3" in bar()
        await pilot.press("f8")
    assert table.done() == 0
