"""The list of runs: finding, opening, coming back."""

from dataclasses import replace

import pytest
from rich.cells import cell_len
from screen.keeper import StubDesk
from screen.looking import same_as_kept, settled, text_of, until
from screen.scenes import CLOCK, Scene, Stage
from textual.widgets import DataTable, Input

from benchlog.model import Identity, Purpose
from benchlog.screen.app import BenchApp
from benchlog.screen.live import LiveScreen
from benchlog.screen.run_list import columns_for
from benchlog.screen.screen_host import ScreenOptions, ScreenOutcome
from benchlog.screen.widgets.text import PlainText
from benchlog.store import Reader

pytestmark = pytest.mark.usefixtures("plain_statistics")


def filled(stage: Stage) -> int:
    """Write some runs; return the id of the one that is still open."""
    stage.play(Scene(device="Q-0417", lot="L-12", ended="verdict clear"))
    stage.play(Scene(device="R-8", offset_ppm=-19_045.0, scatter_ppm=3.0))
    stage.play(Scene(device="Ü-3 lang", part=CLOCK, offset_ppm=2.0, simulated=False))
    stage.play(
        Scene(
            purpose=Purpose.SOAK,
            device="Q-0417",
            offset_ppm=29.99,
            scatter_ppm=0.3,
            note="window open",
            ended="stopped",
        )
    )
    return stage.play(Scene(device="Q-0420"), end=False)


async def test_list_at_three_widths(stage: Stage):
    filled(stage)
    app = BenchApp(ScreenOptions(database=stage.database), stage.clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "Q-0417")
        same_as_kept("history-80x24", await settled(pilot))
        await pilot.resize_terminal(120, 40)
        await until(pilot, "offset ± U, ppm")
        same_as_kept("history-120x40", await settled(pilot))
        await pilot.resize_terminal(60, 16)
        await until(pilot, "ppm  ")
        shown = await settled(pilot)
        same_as_kept("history-60x16", shown)
        for said in ("✓ pass", "✗ fail", "? undecided", "broken off", "SIMULATED"):
            assert said in shown, said
        await pilot.press("ctrl+q")
        await pilot.pause(0.1)
    assert app.return_value == ScreenOutcome(None)


def test_columns_always_fit():
    for width in range(56, 300):
        assert sum(column.cells for column in columns_for(width)) <= width


@pytest.mark.parametrize("width", [56, 76, 116])
def test_numbers_are_rounded_to_their_column_and_never_cut(stage: Stage, width):
    with Reader.open(stage.database) as reader:
        run = reader.run(stage.play(Scene(readings=3)))
    run = replace(run, id=123_456, readings=12_345_678_901)
    for offset in (-19_045.2134, 1_000_017.25, -999_999_999.6, 0.123456, 12.0):
        for u in (None, 0.0123, 1234.5):
            run = replace(run, offset_ppm=offset, u_ppm=u)
            columns = {c.head: c for c in columns_for(width, [run])}
            for column in columns.values():
                said = column.said(run)
                if column.head not in ("device", "part"):
                    assert cell_len(said) < column.cells, said
            head = "ppm" if width < 70 else "offset ± U, ppm"
            shown = columns[head].said(run).split(" ±")[0].replace(",", "")
            assert float(shown) == pytest.approx(offset, rel=1e-3, abs=u or 5e-4)


async def test_open_runs_and_imports_say_how_they_stand(stage: Stage):
    kept = stage.play(Scene(device="Q-1", control="keeper.sock"), end=False)
    stage.play(Scene(device="Q-2", control="gone.sock"), end=False)
    stage.play(Scene(device="Q-3", purpose=Purpose.IMPORT))
    desk = StubDesk(stage.database.parent / "keeper.sock")
    desk.runs = [kept]
    app = BenchApp(ScreenOptions(database=stage.database), stage.clock)
    async with app.run_test(size=(120, 24)) as pilot:
        await until(pilot, "running")
        lines = (await settled(pilot)).splitlines()
    desk.close()
    for name, how in (("Q-1", "running"), ("Q-2", "broken off"), ("Q-3", "-9.25")):
        line = next(line for line in lines if f" {name} " in line)
        assert how in line
        word = "does not count" if name == "Q-2" else "✓ pass"
        assert word in line


async def test_typing_finds_runs_by_any_of_their_words(stage: Stage):
    filled(stage)
    app = BenchApp(ScreenOptions(database=stage.database), stage.clock)
    async with app.run_test(size=(100, 24)) as pilot:
        await until(pilot, "5 runs in bench.db")
        for typed, found in (
            ("q-0417", {1, 4}),
            ("q-0417 window", {4}),
            ("L-12", {1}),
            ("fork", {3}),
            ("FAIL", {2}),
            ("ü-3", {3}),
            ("soak stopped", {4}),
            ("2030-03", {1, 2, 3, 4, 5}),
            ("no such thing", set()),
        ):
            app.screen.query_one(Input).value = typed
            await pilot.pause(0.05)
            table = app.screen.query_one(DataTable)
            assert {int(row.value or 0) for row in table.rows} == found, typed
        assert "0 found among 5 runs" in text_of(app)
        await pilot.press("enter")  # nothing there to open
        assert "0 found" in text_of(app)


async def test_cursor_stays_on_its_run_when_the_list_changes(stage: Stage):
    filled(stage)
    app = BenchApp(ScreenOptions(database=stage.database), stage.clock)
    async with app.run_test(size=(100, 24)) as pilot:
        await until(pilot, "5 runs in bench.db")
        await pilot.press("down", "down", "down")  # run 2
        await pilot.resize_terminal(80, 24)
        await settled(pilot)
        assert "run 2, measure" in app.screen.query_one("#whole", PlainText).text
        await pilot.press("s", "i", "m")
        await until(pilot, "found among")
        assert "run 2, measure" in app.screen.query_one("#whole", PlainText).text


async def test_enter_opens_a_run_and_escape_comes_back(stage: Stage):
    open_run = filled(stage)
    app = BenchApp(ScreenOptions(database=stage.database, run=open_run), stage.clock)
    async with app.run_test(size=(100, 30)) as pilot:
        await until(pilot, "Q-0420")
        await pilot.press("h")
        await until(pilot, "newest first")
        await pilot.press("down", "down", "enter")
        shown = await until(pilot, "run 3, measure")
        assert "Ü-3 lang" in shown
        await pilot.press("h")  # the list that lies underneath, not another one
        await until(pilot, "newest first")
        await pilot.press(*"fail", "enter")
        await until(pilot, "run 2, measure")
        await pilot.press("escape")
        await until(pilot, "1 found among 5 runs")  # where one came from, as it was
        await pilot.press("escape")
        await until(pilot, f"run {open_run}, measure")
        live = [s for s in app.screen_stack if isinstance(s, LiveScreen)]
        assert len(live) == 1
        await pilot.press("h")
        await until(pilot, "newest first")
        await pilot.press("enter")  # the run that lies underneath: no second screen
        await until(pilot, f"run {open_run}, measure")
        live = [s for s in app.screen_stack if isinstance(s, LiveScreen)]
        assert len(live) == 1


@pytest.mark.campaign  # every suite: `test_list_at_three_widths`
async def test_history_alone_when_no_run_was_named(stage: Stage):
    filled(stage)
    app = BenchApp(ScreenOptions(database=stage.database), stage.clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "newest first")
        await pilot.press("down", "enter")
        await until(pilot, "run 4, soak")
        await pilot.press("escape")
        await until(pilot, "newest first")
        await pilot.press("f1")
        await until(pilot, "Keys")
        await pilot.press("escape")
        await until(pilot, "newest first")
        await pilot.press("ctrl+q")
        await pilot.pause(0.1)
    assert app.return_value == ScreenOutcome(None)


async def test_run_that_an_old_version_wrote_with_unknown_identity(stage: Stage):
    scene = Scene(device="bare")
    run_id = stage.writer.begin_run(scene.plan(), {}, scene.timebase)
    stage.writer.begin_segment(run_id)
    stage.writer.end_run(run_id, "interrupted")
    assert Identity("x").simulated is False
    app = BenchApp(ScreenOptions(database=stage.database, run=run_id), stage.clock)
    async with app.run_test(size=(80, 24)) as pilot:
        shown = await until(pilot, "ended: interrupted")
        shown = await settled(pilot)
        assert "no reading" in shown
        assert "DOES NOT COUNT" in shown
    same_as_kept("no-reading-80x24", shown)


def test_a_device_is_shown_whole_and_offsets_stand_under_one_another(stage: Stage):
    with Reader.open(stage.database) as reader:
        run = reader.run(stage.play(Scene(readings=3)))
    offsets = (-15.3, 0.2, 1_234.5)
    runs = [
        replace(run, device="1-002/a=b.5", offset_ppm=ppm, u_ppm=1.2) for ppm in offsets
    ]
    for width in (76, 116, 196):
        columns = {c.head: c for c in columns_for(width, runs)}
        assert columns["device"].cells > len("1-002/a=b.5")
        said = [columns["offset ± U, ppm"].said(one) for one in runs]
        assert len({text.index("±") for text in said}) == 1, said
        if width > 112:  # what is left over goes to the words, not between the figures
            assert columns["part"].cells <= len(run.part.id) + 2
