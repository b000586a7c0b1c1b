"""Asking for the device: typed or scanned, refused, failed, begun."""

import threading

from screen.looking import same_as_kept, settled, text_of, until
from screen.scenes import Scene, Stage
from textual.widgets import Input

from benchlog.errors import BenchlogError
from benchlog.screen.app import BenchApp
from benchlog.screen.screen_host import ScreenOptions, ScreenOutcome


class Starter:
    """What cli hands over: begins a run on a device, or says why not."""

    def __init__(self, stage: Stage) -> None:
        self.devices: list[str] = []
        self.threads: list[int] = []
        self.error: str = ""
        self.gate = threading.Event()
        self.gate.set()
        self._database = stage.database

    def __call__(self, device: str) -> int:
        self.gate.wait(5)
        self.devices.append(device)
        self.threads.append(threading.get_ident())
        if self.error:
            raise BenchlogError(self.error)
        stage = Stage(self._database)
        run_id = stage.play(Scene(device=device), end=False)
        stage.close()
        return run_id


async def test_scanner_types_an_id_and_enter(stage: Stage):
    start = Starter(stage)
    app = BenchApp(ScreenOptions(database=stage.database, start=start), stage.clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "Which device is this?")
        same_as_kept("device-80x24", await settled(pilot))
        await pilot.press(*"SN1042", "enter")
        await until(pilot, "device SN1042")
        assert app.own == 1
    assert start.devices == ["SN1042"]
    assert start.threads != [threading.get_ident()]


async def test_any_unicode_is_an_id(stage: Stage):
    start = Starter(stage)
    app = BenchApp(ScreenOptions(database=stage.database, start=start), stage.clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "Which device")
        app.screen.query_one(Input).value = "  Ω-7 [b]測定[/b]  "
        await pilot.press("enter")
        await until(pilot, "device Ω-7 [b]測定[/b]")
    assert start.devices == ["Ω-7 [b]測定[/b]"]


async def test_empty_id_is_refused_in_words(stage: Stage):
    start = Starter(stage)
    app = BenchApp(ScreenOptions(database=stage.database, start=start), stage.clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "Which device")
        await pilot.press("space", "enter")
        await until(pilot, "A device needs an id")
        assert start.devices == []


async def test_what_prevents_the_start_is_shown_and_another_try_is_possible(
    stage: Stage,
):
    start = Starter(stage)
    start.error = "counter at [::1]:5025 [refused]\x1b the connection; is it on?"
    app = BenchApp(ScreenOptions(database=stage.database, start=start), stage.clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "Which device")
        await pilot.press("A", "enter")
        shown = await until(pilot, "[refused]")
        assert r"\x1b" in shown
        start.error = ""
        await pilot.press("B", "enter")
        await until(pilot, "device B")
    assert start.devices == ["A", "B"]


async def test_while_it_starts_nothing_else_is_begun_and_it_is_said(stage: Stage):
    start = Starter(stage)
    start.gate.clear()
    app = BenchApp(ScreenOptions(database=stage.database, start=start), stage.clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "Which device")
        await pilot.press("A", "enter")
        await until(pilot, "Starting on A: asking the instruments")
        await pilot.press("enter", "escape")
        assert "Starting on A" in text_of(app)
        start.gate.set()
        await until(pilot, "device A")
    assert start.devices == ["A"]


async def test_escape_leaves_before_anything_was_begun(stage: Stage):
    start = Starter(stage)
    app = BenchApp(ScreenOptions(database=stage.database, start=start), stage.clock)
    async with app.run_test(size=(60, 16)) as pilot:
        await until(pilot, "Which device")
        await pilot.press("escape")
        await pilot.pause(0.1)
    assert app.return_value == ScreenOutcome(None)
    assert start.devices == []
