"""Who names a run in a lot means that one: pages of runs, and notes typed for long."""

from collections.abc import Iterator
from contextlib import closing
from functools import partial

import pytest
from lot_shop import Shop
from lot_table import Table, set_up
from screen.looking import line_says
from waiting import wait_for

from benchlog import control
from benchlog.control import Answer, Request
from benchlog.model import EventKind
from benchlog.screen.inspection.app import LotApp
from benchlog.screen.inspection.lot_screen import LotOnScreen, LotScreen
from benchlog.store.reader import Reader


@pytest.fixture
def table(two: Shop, monkeypatch: pytest.MonkeyPatch) -> Iterator[Table]:
    """Two positions, nothing in."""
    yield from empty(two, monkeypatch, 5)


@pytest.fixture
def slow(two: Shop, monkeypatch: pytest.MonkeyPatch) -> Iterator[Table]:
    """Two positions, where runs last longer than the test looks on."""
    yield from empty(two, monkeypatch, 20_000)


def empty(shop: Shop, patch: pytest.MonkeyPatch, least: int) -> Iterator[Table]:
    shop.bench.remove("A")
    shop.bench.remove("B")
    with set_up(shop, patch, 20_000, least) as found:
        yield found


def put_in(table: Table, device: str, position: str, offset_ppm: float) -> int:
    """Put a device in and return its run."""
    before = {run.run for run in table.runs()}
    assert table.ask("device", device, position).ok
    wait_for(lambda: table.seen(position) is False)
    table.shop.bench.insert(position, offset_ppm)
    wait_for(lambda: len(table.runs()) > len(before))
    return next(run.run for run in table.runs() if run.run not in before)


def from_page(table: Table, verb: str, run: int, text: str = "") -> Answer:
    """Ask as the page of a run does (`watch RUN --serve`)."""
    file = control.file_of(table.shop.db)
    return control.ask(table.launched.control, Request(verb, run, text), file)


def told(table: Table, run: int, kind: EventKind) -> list[str]:
    with closing(Reader.open(table.shop.db)) as reader:
        return [event.text for _, event in reader.events(run) if event.kind == kind]


def test_a_page_of_one_run_does_nothing_to_the_other(slow: Table) -> None:
    """Before, the newest run got the note, and was begun anew under its own id."""
    table = slow
    first = put_in(table, "a", "A", 2.0)
    second = put_in(table, "b", "B", -2.0)
    assert from_page(table, "note", first, "the lid is loose").data["run"] == first
    wait_for(lambda: told(table, first, EventKind.NOTE))
    assert not told(table, second, EventKind.NOTE)
    # the one in B may be another device: nothing tells under which id it is to be
    other = from_page(table, "again", first, "c")
    assert not other.ok and "lot's screen" in other.error
    again = from_page(table, "again", first)
    assert again.ok
    kept = {run.run: (run.device, run.ended_how) for run in table.runs()}
    assert kept[first] == ("a", "measured again")
    assert kept[second] == ("b", None)
    assert kept[again.data["run"]] == ("a", None)  # type: ignore[index]
    # the page of a run that is over: told, and nothing is done elsewhere
    late = from_page(table, "pause", first)
    assert not late.ok
    assert table.ask("status").data["lot"]["paused"] is False  # type: ignore[index]
    assert not from_page(table, "again", first).ok
    assert len(table.runs()) == 3


def test_what_is_said_of_a_run_that_is_over_is_kept_with_it(table: Table) -> None:
    first = put_in(table, "a", "A", 1.0)
    wait_for(lambda: table.done() == 1)
    table.shop.bench.remove("A")
    wait_for(lambda: table.seen("A") is False)
    second = put_in(table, "b", "A", 2.0)
    assert from_page(table, "note", first, "a leg is bent").data["run"] == first
    assert from_page(table, "damaged", first).data["device"] == "a"
    assert not from_page(table, "note", 99, "of nothing").ok
    assert told(table, first, EventKind.NOTE) == ["a leg is bent"]
    kinds = {run.run: (run.damaged, run.ended_how) for run in table.runs()}
    assert kinds[first][0] and not kinds[second][0]


async def test_a_note_is_for_the_device_that_it_was_asked_for(table: Table) -> None:
    """The next device is put in while it is typed; before, that one got the note."""
    first = put_in(table, "a", "A", 1.0)
    wait_for(lambda: table.done() == 1)
    bench = LotOnScreen(table.shop.db, table.task.lot, table.launched.control)
    app = LotApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = app.screen
        assert isinstance(screen, LotScreen)

        until = partial(line_says, pilot)

        await until("#figures", "a")
        await pilot.press("f5")
        await until("#asked", "Note for a")
        await pilot.press(*"bent")
        table.shop.bench.remove("A")
        second = put_in(table, "b", "A", 2.0)
        await pilot.press("f5")
        wait_for(lambda: told(table, first, EventKind.NOTE))
        await pilot.press("f8")
    assert told(table, first, EventKind.NOTE) == ["bent"]
    assert not told(table, second, EventKind.NOTE)
