"""Reading a screen as text, and comparing it with what is kept."""

import os
from pathlib import Path
from typing import Any

import pytest
from textual._compositor import Compositor  # private: no public way to what it draws
from textual.app import App
from textual.pilot import Pilot

from benchlog.clock import host_deadline
from benchlog.screen.widgets.text import PlainText

SNAPSHOTS = Path(__file__).parent / "snapshots"
UPDATE = "BENCHLOG_UPDATE_SNAPSHOTS"
"""Set to 1 to write the snapshots anew: look at what changed before you keep it."""


def text_of(app: App[object]) -> str:
    """Return what the terminal shows, line by line, without trailing spaces."""
    # private: Textual has no public way to what the terminal shows
    strips = app.screen._compositor.render_strips(app.size)
    lines = ("".join(segment.text for segment in strip) for strip in strips)
    return "\n".join(line.rstrip() for line in lines)


def draw_when_looked_at(patch: pytest.MonkeyPatch) -> None:
    """Draw a screen where a test looks at it, and for no terminal that is not there.

    That took a fifth of the time of a test. What cannot be drawn fails as it is looked
    at. Terminals that are there: `cli/test_terminal.py`.
    """
    drawn = Compositor.render_update

    def render_update(
        self: Compositor, full: bool = False, *given: Any, **how: Any
    ) -> Any:
        if full:  # a picture of the screen
            return drawn(self, full, *given, **how)
        # private: what is to be drawn anew is counted as drawn
        self._dirty_regions.clear()
        return None

    patch.setattr(Compositor, "render_update", render_update)


async def settled(pilot: Pilot[object]) -> str:
    """Wait until the screen no longer changes; return it as text."""
    before, shown = "", text_of(pilot.app)
    while shown != before:
        await pilot.pause(0.15)
        before, shown = shown, text_of(pilot.app)
    return shown


async def until(pilot: Pilot[object], what: str, limit_s: float = 8.0) -> str:
    """Wait until some text is on the screen; return the screen."""
    for _ in range(int(limit_s / 0.05)):
        shown = text_of(pilot.app)
        if what in shown:
            return shown
        await pilot.pause(0.05)
    raise AssertionError(f"{what!r} did not appear:\n{text_of(pilot.app)}")


async def until_gone(pilot: Pilot[object], what: str, limit_s: float = 8.0) -> str:
    """Wait until some text is no longer on the screen; return the screen."""
    for _ in range(int(limit_s / 0.05)):
        shown = text_of(pilot.app)
        if what not in shown:
            return shown
        await pilot.pause(0.05)
    raise AssertionError(f"{what!r} is still there:\n{text_of(pilot.app)}")


async def line_says(
    pilot: Pilot[object], name: str, said: str, limit_s: float = 15.0
) -> None:
    """Wait until one line of the screen that is shown has some text."""
    for _ in range(int(limit_s / 0.05)):
        if said in pilot.app.screen.query_one(name, PlainText).text:
            return
        await pilot.pause(0.05)
    shown = pilot.app.screen.query_one(name, PlainText).text
    raise AssertionError(f"{said!r} not in {shown!r}")


async def rings(pilot: Pilot[object], rung: list[int], wanted: int) -> int:
    """Wait for so many rings, and a little for one too many; return how many came."""
    limit = host_deadline(30.0)
    while len(rung) < wanted and not limit.passed:
        await pilot.pause(0.05)
    await pilot.pause(0.2)
    return len(rung)


def same_as_kept(name: str, shown: str) -> None:
    """Compare a screen with its snapshot, exactly."""
    kept = SNAPSHOTS / f"{name}.txt"
    if os.environ.get(UPDATE) == "1":
        kept.write_text(shown + "\n", encoding="utf-8")
        return
    if not kept.exists():
        pytest.fail(f"no snapshot {kept.name}; make it with {UPDATE}=1")
    assert shown + "\n" == kept.read_text(encoding="utf-8")
