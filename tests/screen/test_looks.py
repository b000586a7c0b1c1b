"""What the screens look like, compared with what is kept in `snapshots/`.

Write them anew with `BENCHLOG_UPDATE_SNAPSHOTS=1 pytest tests/screen/test_looks.py`
and look at the difference before you keep it.
"""

import re
from dataclasses import replace

import pytest
from screen.looking import same_as_kept, settled, text_of, until
from screen.scenes import CLOCK, QUARTZ, Scene, Stage

from benchlog.model import Limits, Timebase
from benchlog.screen.app import BenchApp
from benchlog.screen.screen_host import ScreenOptions
from benchlog.screen.widgets.text import PlainText

pytestmark = pytest.mark.usefixtures("plain_statistics")

MARKED = Scene(
    events=[(20.0, "mark", "touched the can"), (31.0, "note", "fan on")],
    gaps_after=[33],
    operator="night shift",
)
SIZES = [(60, 16), (80, 24), (80, 40), (120, 24), (120, 40)]


def look(stage: Stage, run: int | None) -> BenchApp:
    return BenchApp(ScreenOptions(database=stage.database, run=run), stage.clock)


async def test_ended_run_that_passes(stage: Stage):
    """At each size as if opened there: see `test_without_colour_nothing_is_lost`."""
    app = look(stage, stage.play(MARKED))
    async with app.run_test(size=SIZES[0]) as pilot:
        await until(pilot, "PASS")
        for size in SIZES:
            await pilot.resize_terminal(*size)
            shown = await settled(pilot)
            assert app.screen.query_one("#offset").text.startswith("-9.25")
            same_as_kept(f"pass-{size[0]}x{size[1]}", shown)
            for said in ("Q-0417", "SIMULATED", "✓ PASS", "limit ±30 ppm", "jitter"):
                assert said in shown, said
            assert max(map(len, shown.splitlines())) <= size[0]


async def test_ended_run_that_fails(stage: Stage):
    far = Scene(device="R-8", offset_ppm=-19_045.0, scatter_ppm=3.0, simulated=False)
    app = look(stage, stage.play(far))
    async with app.run_test(size=(80, 24)) as pilot:
        shown = await until(pilot, "FAIL")
        shown = await settled(pilot)
        assert app.screen.query_one("#offset").text.startswith("-19,04")
    same_as_kept("fail-80x24", shown)
    assert "✗ FAIL" in shown
    assert "SIMULATED" not in shown


async def test_ended_run_too_near_the_limit(stage: Stage):
    near = Scene(offset_ppm=29.99, scatter_ppm=0.1, readings=120, ambient_c=None)
    app = look(stage, stage.play(near))
    async with app.run_test(size=(80, 24)) as pilot:
        shown = await until(pilot, "UNDECIDED")
        shown = await settled(pilot)
    same_as_kept("undecided-80x24", shown)
    assert "? UNDECIDED" in shown
    assert re.search(r"conformance \d\d\.\d\d %", shown)
    assert re.search(r"ambient +not known", shown)


async def test_clock_crystal_is_told_in_seconds_a_day(stage: Stage):
    checked = Timebase(
        status="checked",
        offset_ppm=0.012,
        u_ppm=0.004,
        valid_until_utc_ns=1_900_086_400 * 10**9,
        text="checked",
    )
    scene = Scene(part=CLOCK, offset_ppm=11.5, timebase=checked, purpose="soak")
    app = look(stage, stage.play(scene))
    async with app.run_test(size=(120, 40)) as pilot:
        shown = await until(pilot, "PASS")
        shown = await settled(pilot)
    same_as_kept("clock-crystal-120x40", shown)
    # 86,400 s/day x 11.5 ppm = 0.994 s/day
    assert re.search(r"\+0\.99\d+ s/day", shown)
    assert "checked: +0.0120 ± 0.0078 ppm, holds until 2030-03-18" in shown


ANOTHER = [pytest.param((80, 24), marks=pytest.mark.campaign), (120, 40)]
"""At each size: see `test_ended_run_that_passes`."""


@pytest.mark.parametrize("size", ANOTHER, ids=["80x24", "120x40"])
async def test_without_colour_nothing_is_lost(stage: Stage, monkeypatch, size):
    monkeypatch.setenv("NO_COLOR", "1")
    run_id = stage.play(MARKED)
    app = look(stage, run_id)
    async with app.run_test(size=size) as pilot:
        await until(pilot, "PASS")
        shown = await settled(pilot)
        picture = app.export_screenshot()
    same_as_kept(f"no-colour-{size[0]}x{size[1]}", shown)
    same_as_kept(f"pass-{size[0]}x{size[1]}", shown)  # the same words with and without
    # what the export itself draws in its own colour is not ours
    inks = set(re.findall(r"fill: #([0-9a-f]{6})", picture)) - {"c5c8c6"}
    assert len(inks) <= 2, inks  # the export's own foreground and background


FEWER = [pytest.param(size, marks=pytest.mark.campaign) for size in [(59, 24), (40, 6)]]


@pytest.mark.parametrize("size", [(60, 15), *FEWER], ids=str)
async def test_too_small_says_so(stage: Stage, size):
    app = look(stage, stage.play(MARKED))
    async with app.run_test(size=size) as pilot:
        shown = await settled(pilot)
        assert "60 x 16" in shown
        assert "PASS" not in shown
        await pilot.resize_terminal(80, 24)
        shown = await until(pilot, "✓ PASS")
        await pilot.resize_terminal(50, 10)
        shown = await until(pilot, "60 x 16")
        await pilot.press("q")
    assert app.return_value is not None


@pytest.mark.campaign  # there and back; `test_ended_run_that_passes` goes there
async def test_resizing_uses_the_room_there_is(stage: Stage):
    app = look(stage, stage.play(MARKED))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "PASS")
        small = await settled(pilot)
        await pilot.resize_terminal(120, 40)
        await until(pilot, "made up of")
        large = await settled(pilot)
        assert "touched the can" in large
        await pilot.resize_terminal(80, 24)
        assert await settled(pilot) == small
    same_as_kept("pass-80x24", small)
    same_as_kept("pass-120x40", large)


async def test_help_explains_keys_and_figures(stage: Stage):
    app = look(stage, stage.play(MARKED))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "PASS")
        await pilot.press("question_mark")
        shown = await until(pilot, "Keys")
        same_as_kept("help-80x24", shown)
        for _ in range(8):
            await pilot.press("pagedown")
        shown = await until(pilot, "Times of day")
        same_as_kept("help-end-80x24", shown)
        await pilot.press("escape")
        await until(pilot, "✓ PASS")


HOSTILE = "[red]x[/] [bold]\x1b[31m\u202egnp.\u2069\n\ttab $key {0} %s ✗ PASS"


@pytest.mark.parametrize("size", ANOTHER, ids=["80x24", "120x40"])
async def test_hostile_text_is_shown_as_it_is(stage: Stage, size):
    scene = Scene(
        device=HOSTILE,
        operator="[blink]op[/blink]",
        note="[link=https://x]n[/link]",
        part=replace(QUARTZ, id="[b]part", limits=Limits(tolerance_ppm=30.0)),
        bench="[i]bench",
        events=[
            (3.0, "note", "[red]note[/] \x1b]0;t\x07"),
            (4.0, "odd\x1bkind", "[/]"),
        ],
    )
    app = look(stage, stage.play(scene))
    async with app.run_test(size=size) as pilot:
        shown = await until(pilot, "PASS")
        shown = await settled(pilot)
        assert r"[red]x[/] [bold]\x1b[31m\x202egnp." in shown
        assert "[b]part" in shown
        await pilot.press("h")
        listed = await until(pilot, "newest first")
        assert "[red]x[/]" in listed
        assert "\x1b" not in shown + listed
        assert "\u202e" not in shown + listed
        whole = app.screen.query_one("#whole", PlainText).text
        assert "[link=https://x]n[/link]" in whole
    if size == (120, 40):
        assert r"note: [red]note[/] \x1b]0;t\x07" in shown


async def test_very_long_and_wide_ids_do_not_break_the_layout(stage: Stage):
    app = look(stage, stage.play(Scene(device="測定器" * 200, simulated=True)))
    async with app.run_test(size=(80, 24)) as pilot:
        shown = await until(pilot, "PASS")
        shown = await settled(pilot)
        first = shown.splitlines()[0]
        assert "…" in first
        assert "SIMULATED" in first
        await pilot.press("h")
        await until(pilot, "newest first")
        await pilot.press("enter")
        assert "✓ PASS" in text_of(app)
