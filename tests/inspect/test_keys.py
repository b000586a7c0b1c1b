"""A lot's keeper and screen, asked for what a person asks for; a real bench."""

from collections.abc import Iterator
from functools import partial

import pytest
from lot_shop import Shop
from lot_table import Table, a_site, set_up
from screen.looking import line_says
from waiting import wait_for

from benchlog.clock import VirtualClock, host_sleep
from benchlog.model import LotRun
from benchlog.recorder.lot.device_site import IDLE_S
from benchlog.recorder.run.device_settling import jumped
from benchlog.screen.inspection import text as words
from benchlog.screen.inspection.app import LotApp
from benchlog.screen.inspection.headline import Headline
from benchlog.screen.inspection.lot_screen import LotOnScreen, LotScreen
from benchlog.verdict.lot.lot_runs import word_of


@pytest.fixture
def table(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> Iterator[Table]:
    with set_up(shop, monkeypatch, 300) as found:
        yield found


@pytest.mark.campaign  # every suite has each of these deeds in test_undo.py
def test_undo_again_and_damaged_add_and_change_nothing(table: Table) -> None:
    first = table.measure("a", 2.0)
    assert first.word == "pass" and table.done() == 1
    assert table.ask("aside").ok
    assert table.done() == 0 and table.runs()[0].readings == first.readings
    assert table.ask("again").ok
    wait_for(lambda: table.done() == 1)
    assert [run.device for run in table.runs()] == ["a", "a"]
    assert "again" in table.shop.kinds(table.runs()[1].run)
    assert table.ask("damaged", "a leg is bent").ok
    assert table.runs()[1].damaged and not table.runs()[0].damaged
    assert table.ask("note", "from the middle of the reel").ok
    assert "note" in table.shop.kinds(table.runs()[1].run)


def test_the_device_before_must_be_seen_to_leave(table: Table) -> None:
    table.measure("a", 2.0)
    assert table.ask("device", "b").ok
    table.let_gates_pass()
    assert len(table.runs()) == 1, "b was begun on a, which is still in"
    assert table.ask("pause").ok
    assert table.ask("device").ok  # Enter alone: it is in
    table.let_gates_pass()
    assert len(table.runs()) == 1, "paused, nothing begins"
    assert table.ask("go-on").ok
    wait_for(lambda: table.done() == 2)
    assert "still-in" in table.shop.kinds(table.runs()[1].run)


@pytest.mark.campaign  # every suite: within the test above
def test_paused_nothing_begins(table: Table) -> None:
    assert table.ask("pause").ok and table.ask("device", "a").ok
    table.let_gates_pass()
    assert not table.runs()
    assert table.ask("go-on").ok
    wait_for(lambda: table.done() == 1)


def test_a_swap_while_measuring_does_not_count(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop.bench.remove("A")
    with set_up(shop, monkeypatch, 3_000) as table:
        shop.bench.insert("A", 29.752)  # too near the limit: all 300 readings
        assert table.ask("device", "a").ok
        wait_for(lambda: bool(table.runs()))
        host_sleep(0.4)
        shop.bench.insert("A", 5.0)
        wait_for(lambda: table.runs()[0].ended_how is not None)
        run = table.runs()[0]
        assert run.set_aside and run.ended_how == "device changed"
        assert "swapped" in shop.kinds(run.run)


@pytest.mark.parametrize(
    ("word", "damaged", "rings"),
    [
        ("pass", False, 1),
        ("fail", False, 2),
        ("undecided", False, 3),
        ("pass", True, 2),
    ],
)
def test_sounds_tell_verdicts_apart(word: str, damaged: bool, rings: int) -> None:
    run = LotRun(
        run=1,
        device="a",
        position="A",
        started_utc_ns=0,
        ended_how="verdict clear",
        word=word,
        damaged=damaged,
    )
    assert words.rings(run, word_of(run)) == rings
    aside = LotRun(
        run=1,
        device="a",
        position="A",
        started_utc_ns=0,
        ended_how="verdict clear",
        word=word,
        set_aside=True,
    )
    assert words.rings(aside, word_of(aside)) == 0


def test_no_device_for_long_is_said_once_and_kept_with_the_next_run() -> None:
    clock = VirtualClock()
    place = a_site(clock)
    clock.sleep(IDLE_S - 1)
    assert place.idle() == ""
    clock.sleep(30)
    assert place.idle() == "no new device at A for 1 min 29 s"
    assert place.idle() == "", "said once"
    assert place.idling == "no new device at A for 1 min 00 s"
    clock.sleep(31)
    assert place.idling == "no new device at A for 2 min 00 s"
    place.begun(7)
    assert place.idling == ""
    assert place.idled_s == pytest.approx(IDLE_S + 60)
    clock.sleep(300)
    assert place.idling == "", "a device is in"
    place.ended()
    place.begun(8)
    assert place.idled_s == 0.0


def test_the_screen_is_told_for_how_long_by_now_and_no_longer(
    hurried: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    def said() -> str:
        return str(table.ask("status").data["lot"]["said"])  # type: ignore[index]

    with set_up(hurried, monkeypatch, 300) as table:
        table.measure("a", 2.0)
        wait_for(lambda: said() == "no new device at A for 1 min 00 s")
        wait_for(lambda: said() == "no new device at A for 2 min 00 s")
        assert table.ask("again").ok
        assert "no new device" not in said()


@pytest.mark.campaign  # every suite has two positions on the screen
async def test_scan_look_and_take_the_next(
    table: Table, monkeypatch: pytest.MonkeyPatch
) -> None:
    rung: list[int] = []
    monkeypatch.setattr(LotApp, "bell", lambda _: rung.append(1))
    bench = LotOnScreen(
        table.shop.db, table.task.lot, table.launched.control, bell=True
    )
    app = LotApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = app.screen
        assert isinstance(screen, LotScreen)

        until = partial(line_says, pilot, limit_s=10.0)

        await until("#todo", "scan or type its id")
        await pilot.press(*"KX7", "enter")
        await until("#figures", "✓ KX7")
        shown = [line.text for line in screen.query_one(Headline).shown]
        assert shown[:2] == ["✓ PASS", "KX7"]
        await until("#counts", "1/4")
        await pilot.pause(0.2)
        assert len(rung) == 1, "one ring: pass"
        await pilot.press("f3")
        await until("#figures", "does not count: taken back")
        await until("#counts", "0/4")
        await pilot.press("f8")
    assert table.done() == 0


@pytest.mark.parametrize(
    ("offsets", "is_one"),
    [
        ([3.0, 3.1, 3.0, 3.1, 3.0, 9.0, 9.1, 9.0], True),
        ([3.0, 3.1, 3.0, 3.1, 3.0, 9.0, 3.1, 3.0], False),  # one odd reading
        ([3.0, 3.1, 3.0, 3.1, 3.0, 3.9, 4.0, 3.9], False),  # small beside the limit
        ([0.0, 4.0, 7.0, 9.0, 10.0, 10.5, 10.8, 11.0], False),  # warming up
        ([0.0, -9.0, 8.0, 2.0, -7.0, 9.0, -3.0, 5.0], False),  # restless
        ([3.0, 9.0], False),
    ],
)
def test_what_is_a_jump(offsets: list[float], is_one: bool) -> None:
    assert jumped(offsets, 30.0) is is_one


def test_leaving_asks_for_what_it_would_end_or_lose() -> None:
    measuring = words.Places(heard=True, spots=(words.Spot(name="A", run=3),))
    waiting = words.Places(heard=True, spots=(words.Spot(name="A"),))
    assert "F8 once more ends its run" in words.lost_by_leaving(measuring, noting=False)
    assert words.lost_by_leaving(waiting, noting=False) == ""
    assert "note is not kept" in words.lost_by_leaving(waiting, noting=True)
