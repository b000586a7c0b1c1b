"""Two positions of one keeper: both in view, a key between them, stop means one."""

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest
from screen.keeper import StubDesk
from screen.looking import settled, text_of, until, until_gone
from screen.scenes import Scene, Stage
from textual.pilot import Pilot

from benchlog.control import Answer, Request
from benchlog.model import Purpose
from benchlog.screen.app import BenchApp
from benchlog.screen.screen_host import ScreenOptions, ScreenOutcome
from benchlog.screen.widgets.key_bar import keys_of
from benchlog.screen.widgets.text import PlainText
from benchlog.store.reader import Reader

FIRST = Scene(control="keeper.sock", device="KX-A", position="A")
SECOND = Scene(control="keeper.sock", device="KX-B", position="B", offset_ppm=-500.0)
BOTH = (FIRST, SECOND)


class Pair:
    """Two runs that are being kept, the screen that answers for both."""

    pilot: Pilot

    def __init__(self, stage: Stage, scenes: Sequence[Scene] = BOTH) -> None:
        self.stage = stage
        self.runs = [stage.begin(scene) for scene in scenes]
        for run, scene in zip(self.runs, scenes, strict=True):
            stage.readings(run, scene.values(20))
        path = stage.database.parent / "keeper.sock"
        self.desk = StubDesk(path, {"stop": self.stop, "again": self.again})
        self.desk.runs, self.desk.begun = list(self.runs), list(self.runs)
        first, *others = self.runs
        opening = ScreenOptions(
            database=stage.database, run=first, beside=tuple(others)
        )
        self.app = BenchApp(opening, stage.clock)

    def stop(self, request: Request) -> Answer:
        assert request.run is not None
        self.desk.runs.remove(request.run)
        self.stage.end(request.run, "stopped")
        return Answer(ok=True)

    def again(self, request: Request) -> Answer:
        assert request.run is not None
        self.stage.end(request.run, "measured again")
        following = self.stage.begin(FIRST)
        self.desk.runs.remove(request.run)
        self.desk.runs.append(following)
        self.desk.begun.append(following)
        return Answer(ok=True, data={"run": following})

    def stopped(self) -> list[int | None]:
        return [r.run for r in self.desk.asked if r.do == "stop"]

    async def left(self) -> ScreenOutcome | None:
        for _ in range(60):
            if self.app.return_value is not None:
                break
            await self.pilot.pause(0.05)
        return self.app.return_value


@asynccontextmanager
async def pair(
    stage: Stage, size: tuple[int, int] = (100, 30), scenes: Sequence[Scene] = BOTH
) -> AsyncIterator[Pair]:
    made = Pair(stage, scenes)
    try:
        async with made.app.run_test(size=size) as made.pilot:
            await until(made.pilot, "device KX-B")
            await made.pilot.press("1")  # out of the overview into the first
            await until(made.pilot, "B KX-B measuring")
            yield made
    finally:
        made.desk.close()


@pytest.mark.campaign  # every suite: on the way of the next test
async def test_both_are_in_view_and_tab_goes_from_one_to_the_other(stage: Stage):
    async with pair(stage, (80, 24)) as p:
        shown = await settled(p.pilot)
        assert "▸ A KX-A measuring" in shown
        assert "device KX-A" in shown
        assert "other position Tab" in shown
        await p.pilot.press("tab")
        shown = await until(p.pilot, "device KX-B")
        shown = await until(p.pilot, "▸ B KX-B measuring")
        assert "A KX-A measuring" in shown
        assert max(map(len, shown.splitlines())) <= 80
        await p.pilot.press("tab")
        await until(p.pilot, "device KX-A")
        assert p.desk.verbs == []
        with pytest.MonkeyPatch.context() as patch:  # asked many times a second
            patch.setattr(Reader, "open", None)
            offered = [key.does for key in keys_of(p.app.screen)]
        assert "all positions" in offered


async def test_stop_ends_the_one_that_is_shown_and_says_so(stage: Stage):
    """After the other one was measured again, which took its place."""
    async with pair(stage) as p:
        second = p.runs[1]
        shown = text_of(p.app)
        assert "▸ A KX-A measuring" in shown
        assert "other position Tab" in shown
        with pytest.MonkeyPatch.context() as patch:  # asked many times a second
            patch.setattr(Reader, "open", None)
            assert "all positions" in [key.does for key in keys_of(p.app.screen)]
        await p.pilot.press("a")
        await until(p.pilot, "begin another?")
        await p.pilot.press("enter")
        await until(p.pilot, "run 3, measure")
        await until(p.pilot, "▸ A KX-A measuring  |  B KX-B measuring")
        await p.pilot.press("q")
        await until(p.pilot, "Run 3 (KX-A at A) and run 2 (KX-B at B) are still going")
        await p.pilot.press("escape")
        await until_gone(p.pilot, "are still going")
        await p.pilot.press("tab")
        await until(p.pilot, "device KX-B")
        await until(p.pilot, "▸ B KX-B measuring")
        assert p.stopped() == []
        await p.pilot.press("s")
        await until(p.pilot, f"Stop run {second} (KX-B at B)?")
        asked = " ".join(plain.text for plain in p.app.screen.query(PlainText))
        assert "Only this run ends" in asked
        assert "run 3 (KX-A at A) goes on" in asked
        await p.pilot.press("s")
        await until(p.pilot, "ended: stopped")
        await until(p.pilot, "B KX-B ✗ fail")
        assert "A KX-A measuring" in text_of(p.app)
        assert p.stopped() == [second]
        await p.pilot.press("q")
        await until(p.pilot, "Run 3 is still going")
        await p.pilot.press("s")
        left = await p.left()
        assert left == ScreenOutcome(second, stopped=True, run_ids=(3, second))
        assert p.stopped() == [second, 3]


async def test_a_stop_in_a_lot_tells_that_all_of_it_ends(stage: Stage):
    """Its keeper ends with a run that is stopped; before, "Only this run ends"."""
    inspect = Purpose.INSPECT
    scenes = [replace(scene, purpose=inspect, lot="B2207") for scene in BOTH]
    async with pair(stage, scenes=scenes) as p:
        await p.pilot.press("s")
        await until(p.pilot, "Stop run 1 (KX-A at A)?")
        asked = " ".join(plain.text for plain in p.app.screen.query(PlainText))
        assert "Only this run ends" not in asked
        assert "All work on lot B2207 ends, run 2 (KX-B at B) included" in asked
        await p.pilot.press("escape")
        await until_gone(p.pilot, "Stop run 1")


@pytest.mark.campaign  # `test_stop_ends_the_one_that_is_shown` leaves so, too
async def test_leaving_names_both_and_keeps_both_going(stage: Stage):
    async with pair(stage) as p:
        first, second = p.runs
        await p.pilot.press("q")
        said = await until(p.pilot, "are still going")
        assert f"Run {first} (KX-A at A) and run {second} (KX-B at B)" in said
        await p.pilot.press("k")
        outcome = ScreenOutcome(first, left_running=True, run_ids=tuple(p.runs))
        assert await p.left() == outcome
        assert p.stopped() == []


@pytest.mark.campaign  # every suite: at the end of `test_stop_ends_the_one`
async def test_one_measured_again_takes_its_place(stage: Stage):
    async with pair(stage) as p:
        await p.pilot.press("a")
        await until(p.pilot, "begin another?")
        await p.pilot.press("enter")
        await until(p.pilot, "run 3, measure")
        await until(p.pilot, "▸ A KX-A measuring  |  B KX-B measuring")
        await p.pilot.press("q")
        await until(p.pilot, "Run 3 (KX-A at A) and run 2 (KX-B at B) are still going")
        await p.pilot.press("k")
        assert (await p.left()).run_ids == (3, 2)


async def test_one_position_alone_has_no_line_and_no_key(stage: Stage):
    p = Pair(stage)
    p.desk.runs, p.desk.begun = p.runs[:1], p.runs[:1]
    alone = ScreenOptions(database=stage.database, run=p.runs[0])
    p.app = BenchApp(alone, stage.clock)
    try:
        async with p.app.run_test(size=(80, 24)) as p.pilot:
            await until(p.pilot, "measuring · 20 readings")
            await until_gone(p.pilot, "KX-B")
            assert "Tab" not in text_of(p.app)
    finally:
        p.desk.close()


async def test_all_positions_at_once_and_a_key_into_each(stage: Stage):
    p = Pair(stage)
    try:
        async with p.app.run_test(size=(80, 24)) as p.pilot:
            shown = await until(p.pilot, "✗ FAIL")
            assert "position A  device KX-A" in shown
            assert "position B  device KX-B" in shown
            assert "✓ PASS" in shown
            assert max(map(len, shown.splitlines())) <= 80
            stage.readings(p.runs[0], FIRST.values(24)[20:])
            await until(p.pilot, "24 readings")
            await p.pilot.press("2")
            await until(p.pilot, f"run {p.runs[1]}, measure")
            await p.pilot.press("escape")
            await until(p.pilot, "all positions")
            await p.pilot.press("1")
            await until(p.pilot, f"run {p.runs[0]}, measure")
            await p.pilot.press("o")
            await until(p.pilot, "all positions")
            p.desk.close()
            for _ in range(200):
                if text_of(p.app).count("broken off: its keeper is gone") == 2:
                    break
                await p.pilot.pause(0.05)
            assert text_of(p.app).count("broken off: its keeper is gone") == 2
            await p.pilot.press("q")  # nothing is asked any more
            assert (await p.left()).left_running is False
    finally:
        p.desk.close()


async def test_whoever_looks_on_has_the_overview_too(stage: Stage):
    p = Pair(stage)
    watching = ScreenOptions(database=stage.database, run=p.runs[0], onlooker=True)
    app = BenchApp(watching, stage.clock)
    try:
        async with app.run_test(size=(120, 40)) as pilot:
            await until(pilot, "all positions o")
            await pilot.press("o")
            await until(pilot, "position B  device KX-B")
            assert "✗ FAIL" in await until(pilot, "✓ PASS")
    finally:
        p.desk.close()


@pytest.mark.campaign  # every suite: at the end of `test_all_positions_at_once`
async def test_an_overview_whose_keeper_is_gone_is_left_without_a_question(
    stage: Stage,
):
    p = Pair(stage)
    try:
        async with p.app.run_test(size=(80, 24)) as p.pilot:
            await until(p.pilot, "device KX-B")
            p.desk.close()
            await until(p.pilot, "broken off: its keeper is gone")
            for _ in range(160):
                if text_of(p.app).count("broken off: its keeper is gone") == 2:
                    break
                await p.pilot.pause(0.05)
            assert text_of(p.app).count("broken off: its keeper is gone") == 2
            await p.pilot.press("q")
            assert (await p.left()).left_running is False
    finally:
        p.desk.close()


@pytest.mark.campaign  # beside the chart; in the overview it is told of both above
async def test_a_keeper_that_is_gone_is_said_of_both(stage: Stage):
    async with pair(stage) as p:
        p.desk.close()
        await until(p.pilot, "broken off: its keeper is gone")
        await until(p.pilot, "B KX-B broken off")
        await p.pilot.press("q")
        assert (await p.left()).left_running is False
