"""A scanner types and ends with Enter, whatever the screen has just asked."""

from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager

import pytest
from lot_shop import Shop
from lot_table import Table, set_up
from textual import events
from textual.app import App
from textual.pilot import Pilot
from textual.widgets import Input
from waiting import wait_for

from benchlog.screen.inspection.app import LotApp
from benchlog.screen.inspection.lot_screen import LotOnScreen, LotScreen
from benchlog.screen.widgets.text import PlainText
from benchlog.store.reader import Reader


@pytest.fixture
def table(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> Iterator[Table]:
    with set_up(shop, monkeypatch, 300) as found:
        yield found


class Person:
    """Who sits at the screen: looks at it, presses keys, scans."""

    def __init__(self, table: Table, app: App[None], pilot: Pilot[None]) -> None:
        self.table = table
        assert isinstance(app.screen, LotScreen)
        self.app, self.press, self.screen = app, pilot.press, app.screen
        self._pilot = pilot

    def sees(self, name: str) -> str:
        return self.screen.query_one(name, PlainText).text

    @property
    def line(self) -> str:
        return self.screen.query_one(Input).value

    @property
    def on_top(self) -> bool:
        return self.app.screen is self.screen

    async def until(self, name: str, said: str) -> None:
        for _ in range(1_200):
            if said in self.sees(name):
                return
            await self._pilot.pause(0.05)
        pytest.fail(f"{said!r} not in {self.sees(name)!r}")

    async def until_runs(self, count: int) -> None:
        for _ in range(1_200):
            if len(self.table.runs()) >= count:
                return
            await self._pilot.pause(0.05)
        pytest.fail(f"{self.table.runs()} are not {count} runs")

    async def looks(self) -> None:
        await self._pilot.pause(0.5)

    async def scan(self, text: str) -> None:
        """Send all keys at once, as a terminal hands on what it has read."""
        names = {"\r": "enter", "\n": "ctrl+j", "-": "minus", "?": "question_mark"}
        names[" "] = "space"
        for one in text:
            self.app.post_message(events.Key(names.get(one, one), one))
        await self._pilot.pause(0.3)


@asynccontextmanager
async def at(table: Table) -> AsyncIterator[Person]:
    app = LotApp(LotOnScreen(table.shop.db, table.task.lot, table.launched.control))
    async with app.run_test(size=(80, 24)) as pilot:
        person = Person(table, app, pilot)
        await person.until("#todo", "scan or type its id")
        yield person
        await pilot.press("f8")


def devices(table: Table) -> list[tuple[str, str | None]]:
    return [(run.device, run.word) for run in table.runs()]


def notes(table: Table) -> list[str]:
    with Reader.open(table.shop.db) as reader:
        return [event.text for _, event in reader.events(1) if event.kind == "note"]


MORE = [pytest.param(end, marks=pytest.mark.campaign) for end in ("\r", "\r\n")]
"""How the scans below end; nothing is asked there."""


@pytest.mark.parametrize("end", ["\n", *MORE])
async def test_a_scan_answers_no_question(table: Table, end: str) -> None:
    async with at(table) as person:
        await person.scan("Z-1" + end)
        await person.until("#figures", "✓ Z-1")
        # the same again by mistake, and at once the next device
        await person.scan("Z-1" + end + "Z-2" + end)
        assert person.sees("#asked") == "" and person.line == ""
        await person.until("#todo", "take the last device out, put Z-2 in")
        table.shop.bench.remove("A")
        wait_for(lambda: table.seen("A") is False)
        table.shop.bench.insert("A", 50.0)
        await person.until("#figures", "✗ Z-2")
    assert devices(table) == [("Z-1", "pass"), ("Z-2", "fail")]


async def test_measured_again_is_answered_by_its_key_alone(table: Table) -> None:
    async with at(table) as person:
        await person.scan("Z-1\r")
        await person.until("#figures", "✓ Z-1")
        await person.scan("Z-1\r")
        await person.until("#asked", "Z-1 was measured already: F9 measures it again")
        await person.scan("\r\n\r")
        assert "Z-1 was measured already" in person.sees("#asked")
        await person.press("escape")
        assert person.sees("#asked") == ""
        with Reader.open(table.shop.db) as reader:
            code = f"urn:uuid:{reader.run(1).uid}"
        await person.scan(
            "https://records.example/f81d4fae-7dec-11d0-a765-00a0c91e6bf6\r"
        )
        await person.until("#said", "there is no run")
        await person.scan(f"{code.upper()}\r")  # as its label has it
        await person.until("#asked", "Z-1 was measured already: F9 measures it again")
        await person.press("f9")
        await person.until("#todo", "put Z-1 in (it is in already: F9)")
        await person.scan("\r\n")  # Enter says nothing here either
        assert len(table.runs()) == 1
        await person.press("f9")
        await person.until_runs(2)  # the second may be over before one looks
        wait_for(lambda: table.done() == 2)
        answer = table.ask("device", code)
        assert answer.ok, answer.error
        await person.until("#todo", "put Z-1 in")
    assert [run.device for run in table.runs()] == ["Z-1", "Z-1"]


@pytest.mark.campaign  # every suite: within the test above
async def test_the_code_of_a_label_stands_for_its_device(table: Table) -> None:
    async with at(table) as person:
        await person.scan("Z-1\r")
        await person.until("#figures", "✓ Z-1")
        with Reader.open(table.shop.db) as reader:
            uid = reader.run(1).uid
        await person.scan(f"URN:UUID:{uid.upper()}\r")
        await person.until("#asked", "Z-1 was measured already: F9 measures it again")
        await person.press("escape")
        await person.scan(
            "https://records.example/f81d4fae-7dec-11d0-a765-00a0c91e6bf6\r"
        )
        await person.until("#said", "there is no run")
        answer = table.ask("device", f"urn:uuid:{uid}")
        assert answer.ok, answer.error
        await person.until("#todo", "put Z-1 in")
    assert devices(table) == [("Z-1", "pass")]


async def test_a_scan_closes_the_help_and_is_no_remark(table: Table) -> None:
    async with at(table) as person:
        await person.press("f1")
        await person.looks()
        assert not person.on_top
        await person.scan("Z 1?\r")
        assert person.on_top and person.line == ""
        await person.until("#figures", "✓ Z 1?")
        await person.press("f5")
        await person.until("#asked", "Note for Z 1?")
        await person.scan("Z-2\r")
        assert person.line == "Z-2" and "Note for Z 1?" in person.sees("#asked")
        await person.until("#said", "Enter keeps no note")
        await person.press("escape")
        await person.until("#said", "The note is not kept yet")
        assert "Note for Z 1?" in person.sees("#asked")
        await person.press("escape")
        assert person.line == "Z-2", "nothing is lost: it can be taken as an id"
        await person.press("enter")
        await person.until("#todo", "put Z-2 in")
        await person.press("f5", *"bent", "f5")
        await person.looks()
        wait_for(lambda: notes(table) == ["bent"])
        await person.press("f1")
        await person.looks()
        await person.scan("Z-3")
        await person.press("escape")
        await person.looks()
        assert person.on_top and person.line == "Z-3"
    assert devices(table) == [("Z 1?", "pass")]
