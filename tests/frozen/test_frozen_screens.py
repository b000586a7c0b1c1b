"""What the screens show of stored runs, as plain text, as before the move.

They are opened as `benchlog watch` opens them, so that no name inside is needed.
"""

import sys
from pathlib import Path

import pytest
from frozen.frozen_program import plain, same_as_frozen
from screen.looking import draw_when_looked_at, settled, until
from textual.app import App
from tiers import seldom

from benchlog.screen import run_screen

SIZES = ((80, 24), (120, 40))
SHOWN = {
    "crystals": (2, 11, 14),
    "pulses": (1,),
    "day": (1, 16),
    "lots": (13,),
    "states": (4, 10, 11, 15),
}
MORE_SHOWN = {
    "crystals": (3, 5, 7, 13),
    "day": (2, 3),
    "lots": (14,),
    "states": (1, 3, 8, 13, 16),
}
"""Of each kind of run there is one above."""
READY = "quit q"
"""The line of keys has come: the screen is built."""


def screen_of(database: Path, run: int) -> App[object]:
    """Return the application that `run_screen` would block with."""

    built: list[App[object]] = []

    def instead(app: App[object], leave: object) -> tuple[None, bool]:
        assert callable(leave)
        built.append(app)
        return None, False

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("benchlog.screen.opening.run_until_left", instead)
        patch.setenv("TERM", "xterm-256color")
        for stream in (sys.stdin, sys.stdout, sys.stderr):
            patch.setattr(stream, "isatty", lambda: True, raising=False)
        run_screen(database, run, onlooker=True)
    (app,) = built
    return app


async def looks(folder: Path, name: str, run: int) -> list[str]:
    """Return what a run's screen shows, opened in a small terminal that then grows."""
    app = screen_of(folder / f"{name}.db", run)
    told = []
    async with app.run_test(size=SIZES[0]) as pilot:
        for size in SIZES:
            await pilot.resize_terminal(*size)
            await until(pilot, READY)
            shown = await settled(pilot)
            title = f"# {name}.db, run {run}, {size[0]}x{size[1]}"
            told.append(f"{title}\n{plain(shown, folder)}")
    return told


@pytest.fixture(autouse=True)
def _drawn_when_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    draw_when_looked_at(monkeypatch)


DAILY = {"crystals", "pulses", "lots"}
"""Runs that ended, pulses, and one of a lot; what else a run can be is in `screen/`."""


@pytest.mark.parametrize(
    "name", [one if one in DAILY else seldom(one) for one in SHOWN]
)
async def test_what_a_runs_screen_shows(name: str, folder: Path) -> None:
    told = [one for run in SHOWN[name] for one in await looks(folder, name, run)]
    same_as_frozen(f"screens/{name}", told)


@pytest.mark.parametrize("name", MORE_SHOWN)
async def test_what_more_screens_show(name: str, folder: Path) -> None:
    told = [one for run in MORE_SHOWN[name] for one in await looks(folder, name, run)]
    same_as_frozen(f"screens/{name}-more", told)


SMALL, LARGE = ((size,) for size in SIZES)
VISITED = (
    ("crystals", 11, ("y",), "gaps", SMALL),
    ("warmed", 1, ("v", "v"), "ambient", SMALL),
    ("lots", 1, ("h",), "newest first", LARGE),
)
MORE_VISITED = (
    ("crystals", 11, ("v",), "averaging time", LARGE),
    ("crystals", 12, ("v", "v", "v"), "residual", LARGE),
    ("states", 4, ("h",), "newest first", SIZES),
    ("lots", 1, ("h",), "newest first", SMALL),
)
"""Views that `screen/` goes through as well, on other runs."""
VIEWS = {"views": VISITED, "more-views": MORE_VISITED}


async def views_told(name: str, folder: Path) -> None:
    told = []
    for database, run, keys, what, sizes in VIEWS[name]:
        for size in sizes:
            app = screen_of(folder / f"{database}.db", run)
            async with app.run_test(size=size) as pilot:
                await until(pilot, READY)
                await settled(pilot)
                for key in keys:
                    await pilot.press(key)
                    await settled(pilot)
                await until(pilot, what)
                shown = plain(await settled(pilot), folder)
            pressed = " ".join(keys)
            title = f"# {database}.db, run {run}, {pressed}, {size[0]}x{size[1]}"
            told.append(f"{title}\n{shown}")
    same_as_frozen(f"screens/{name}", told)


@pytest.mark.campaign  # `screen/` goes through them on other runs
async def test_what_other_views_show(folder: Path) -> None:
    await views_told("views", folder)


async def test_what_more_views_show(folder: Path) -> None:
    await views_told("more-views", folder)
