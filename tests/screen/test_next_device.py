"""One device after the other on the live screen: the line, the list, the figures."""

import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest
from screen.keeper import StubDesk
from screen.looking import settled, text_of, until, until_gone
from screen.scenes import Scene, Stage
from textual.pilot import Pilot

from benchlog.control import Answer, Request
from benchlog.errors import InstrumentError
from benchlog.screen.app import BenchApp
from benchlog.screen.screen_host import ScreenOptions

FIRST = Scene(device="KX-1")


class Sitting:
    """A run that has ended, and who starts the next; `wanted` is what was asked for."""

    pilot: Pilot

    def __init__(self, stage: Stage, **opening: object) -> None:
        self.stage = stage
        self.run = stage.play(FIRST)
        self.wanted: list[tuple[str, str]] = []
        self.refusal = ""
        self.may_start = threading.Event()
        self.may_start.set()
        self._begun: int | None = None
        options = ScreenOptions(
            database=stage.database, run=self.run, next_run=self.start, **opening
        )
        self.app = BenchApp(options, stage.clock)

    def start(self, position: str, device: str) -> int:
        self.wanted.append((position, device))
        self.may_start.wait(10)
        if self.refusal:
            raise InstrumentError(self.refusal)
        following = Stage(self.stage.database)  # SQLite objects stay in their thread
        try:
            return following.begin(replace(FIRST, device=device))
        finally:
            following.close()


@asynccontextmanager
async def sitting(
    stage: Stage, size: tuple[int, int] = (80, 24), **opening: object
) -> AsyncIterator[Sitting]:
    made = Sitting(stage, **opening)
    async with made.app.run_test(size=size) as made.pilot:
        await until(made.pilot, "ended: verdict clear")
        yield made


async def test_enter_then_the_id_begins_the_next_run(stage: Stage):
    async with sitting(stage) as s:
        await until(s.pilot, "next device: scan its id")
        await s.pilot.press("enter")
        await until(s.pilot, "next device ▸")
        assert "q quit" not in text_of(s.app), "every key is text now"
        await s.pilot.press(*"q-42", "enter")  # keys of the screen, too
        shown = await until(s.pilot, "device q-42")
        assert s.wanted == [("A", "q-42")]
        assert s.app.own == s.run + 1
        assert "the last one, ppm" in shown, "its figures stay in sight"
        assert "-9.2" in shown or "PASS" in shown
        assert "✓ KX-1" in shown, "what was measured in this sitting"
        # private: the run was begun by another writer, its segment is not known here
        stage._segments.setdefault(s.run + 1, stage.writer.begin_segment(s.run + 1))
        stage.readings(s.run + 1, replace(FIRST, offset_ppm=4.0).values(12))
        await until_gone(s.pilot, "the last one, ppm")
        assert s.app.outcome_now().run_ids == (s.run, s.run + 1)


async def test_a_scanner_needs_no_enter_before_its_id(stage: Stage):
    async with sitting(stage) as s:
        await until(s.pilot, "next device: scan its id")
        # all at once, as a terminal hands on what it has read
        for key in ("K", "X", "0", "h", "l", "q", "enter"):
            s.app.simulate_key(key)
        await until(s.pilot, "device KX0hlq")
        assert s.wanted == [("A", "KX0hlq")]


@pytest.mark.campaign  # every suite: before what is typed, below
async def test_a_key_of_the_screen_is_no_id(stage: Stage):
    async with sitting(stage) as s:
        await until(s.pilot, "next device: scan its id")
        await s.pilot.press("n", "s", "k")  # too late for the run that has ended
        shown = await settled(s.pilot)
        assert "next device ▸" not in shown
        await s.pilot.press("h")
        await until(s.pilot, "the newest first")
        assert s.wanted == []


async def test_esc_and_backspace_take_back_what_was_typed(stage: Stage):
    async with sitting(stage) as s:
        await until(s.pilot, "next device: scan its id")
        await s.pilot.press("n", "s", "k")  # keys of a run, too late for it: no id
        assert "next device ▸" not in await settled(s.pilot)
        await s.pilot.press(*"KX-7", "backspace", "8")
        await until(s.pilot, "▸ KX-8")
        await s.pilot.press("escape")
        await until(s.pilot, "next device: scan its id")
        await s.pilot.press("enter", "enter")
        await settled(s.pilot)
        assert s.wanted == [], "an empty line begins nothing"


async def test_why_it_cannot_begin_is_said_and_the_line_comes_back(stage: Stage):
    async with sitting(stage) as s:
        s.refusal = "the counter does not answer"
        await until(s.pilot, "next device: scan its id")
        await s.pilot.press(*"KX-7", "enter")
        await until(s.pilot, "not begun: the counter does not answer")
        await until(s.pilot, "next device: scan its id")
        assert s.app.own == s.run


async def test_no_second_start_while_one_is_under_way(stage: Stage):
    async with sitting(stage) as s:
        s.may_start.clear()
        await until(s.pilot, "next device: scan its id")
        await s.pilot.press(*"KX-7", "enter")
        await until(s.pilot, "starting on KX-7")
        await s.pilot.press(*"KX-8", "enter")
        s.may_start.set()
        await until(s.pilot, "device KX-7")
        assert s.wanted == [("A", "KX-7")]


async def test_whoever_looks_on_starts_nothing(stage: Stage):
    run = stage.play(FIRST)
    options = ScreenOptions(database=stage.database, run=run, onlooker=True)
    async with BenchApp(options, stage.clock).run_test(size=(80, 24)) as pilot:
        shown = await until(pilot, "ended: verdict clear")
        assert "next device" not in shown
        await pilot.press("enter")
        assert "next device" not in await settled(pilot)


async def test_beside_a_run_that_goes_on_its_keeper_begins_the_next(stage: Stage):
    other = replace(FIRST, device="KX-B", position="B", control="keeper.sock")
    asked: list[Request] = []
    run = stage.play(replace(FIRST, control="keeper.sock"))
    beside = stage.begin(other)

    def begin(request: Request) -> Answer:
        asked.append(request)
        following = stage.begin(replace(FIRST, device=request.text))
        return Answer(ok=True, data={"run": following})

    path = stage.database.parent / "keeper.sock"
    desk = StubDesk(path, {"device": begin})
    desk.runs, desk.begun = [beside], [run, beside]

    def never(position: str, device: str) -> int:
        raise AssertionError((position, device))

    options = ScreenOptions(
        database=stage.database, run=run, beside=(beside,), next_run=never
    )
    try:
        async with BenchApp(options, stage.clock).run_test(size=(100, 30)) as pilot:
            await until(pilot, "device KX-B")
            await pilot.press("1")
            await until(pilot, "next device: scan its id")
            await pilot.press(*"KX-C", "enter")
            await until(pilot, "device KX-C")
            assert [(r.text, r.position) for r in asked] == [("KX-C", "A")]
    finally:
        desk.close()
