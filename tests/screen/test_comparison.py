"""Runs side by side on the screen: marked in the list, compared, told in words."""

import pytest
from screen.looking import same_as_kept, settled, text_of, until
from screen.scenes import Scene, Stage

from benchlog.evaluation.comparison import comparison
from benchlog.screen.app import BenchApp
from benchlog.screen.background_view import ComparisonScreen
from benchlog.screen.comparison import compared
from benchlog.screen.history import HistoryScreen
from benchlog.screen.screen_host import ScreenOptions
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment
from benchlog.verdict.run.comparison import in_words

pytestmark = pytest.mark.usefixtures("plain_statistics")


def two(stage: Stage) -> tuple[int, int]:
    first = stage.play(Scene(device="KX-1", offset_ppm=8.6, ended="stopped"))
    second = stage.play(
        Scene(device="KX-2", offset_ppm=-3.1, scatter_ppm=0.08, seed=2, ended="stopped")
    )
    return first, second


def said_by(app: BenchApp) -> list[str]:
    # private: Textual has no public list of its toasts
    return [one.message for one in app._notifications]


async def test_a_marked_run_and_the_chosen_one_are_compared(stage: Stage):
    two(stage)
    app = BenchApp(ScreenOptions(database=stage.database), stage.clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "KX-1")
        await pilot.press("f4")
        await until(pilot, "▸marked: 2")
        await pilot.press("down", "f5")
        await until(pilot, "run 1 - 2:")
        assert isinstance(app.screen, ComparisonScreen)
        shown = await settled(pilot)
        same_as_kept("against-80x24", shown)
        await pilot.press("t")
        await until(pilot, "farther from nominal")
        same_as_kept("against-table-80x24", await settled(pilot))
        await pilot.press("t", "v")
        await until(pilot, "Allan deviation against averaging time")
        await pilot.press("escape")
        await until(pilot, "▸marked: 2")
        assert isinstance(app.screen, HistoryScreen)
        await pilot.press("up", "f4")
        await until(pilot, "2 runs in")
        assert "marked" not in text_of(app)


async def test_one_run_is_compared_with_nothing(stage: Stage):
    two(stage)
    app = BenchApp(ScreenOptions(database=stage.database), stage.clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "KX-1")
        await pilot.press("f5")
        await pilot.pause()
        assert said_by(app) == ["mark a run with F4, go to another, press F5"]
        assert isinstance(app.screen, HistoryScreen)


async def test_no_more_are_marked_than_fit_a_picture(stage: Stage):
    for number in range(4):
        stage.play(Scene(device=f"KX-{number}", ended="stopped"))
    app = BenchApp(ScreenOptions(database=stage.database), stage.clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "KX-0")
        await pilot.press("f4", "down", "f4", "down", "f4")
        await until(pilot, "▸marked: 4, 3, 2")
        await pilot.press("down", "f4")
        await pilot.pause()
        assert "`benchlog compare` takes more" in said_by(app)[0]
        await pilot.press("f5")
        await until(pilot, "run 2 - 4:")
        assert "run 3 - 4:" in text_of(app)


def test_the_screen_and_the_page_say_the_same(stage: Stage):
    first, second = two(stage)
    stage.writer.amend(second, Amendment(kind="void", reason="probe fell off"))
    found = compared(stage.database, (first, second), "course")
    with Reader.open(stage.database) as reader:
        paged = comparison(reader, [reader.run(first), reader.run(second)])
    (pair,) = paged.differences
    said = " ".join(found.said)
    for words in (*in_words(pair), *pair.notes):
        assert words in said
    assert "run 2 does not count: void (probe fell off)" in said
    assert any("does not count, KX-2" in line for line in found.table)


def test_a_run_without_readings_is_no_reason_to_break(stage: Stage):
    first, _ = two(stage)
    empty = stage.play(Scene(device="none", readings=0, ended="stopped"))
    for view in ("course", "stability"):
        found = compared(stage.database, (first, empty), view)
        assert "unknown" in found.said[0]
    alone = compared(stage.database, (empty, empty), "stability")
    assert alone.graphs == ()
