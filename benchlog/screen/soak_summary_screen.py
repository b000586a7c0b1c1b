"""The morning's summary of a soak: gaps with causes, drift, stability, alarms."""

import asyncio
from collections.abc import Iterable
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widget import Widget

from benchlog.errors import BenchlogError
from benchlog.evaluation import brief_wording
from benchlog.model import Run
from benchlog.screen import figures
from benchlog.screen.base import BenchScreen, run_beside
from benchlog.screen.follow import Follower
from benchlog.screen.screen_host import ScreenHost
from benchlog.screen.widgets.text import PlainText
from benchlog.units import printable
from benchlog.verdict import Assessment
from benchlog.verdict.soak.soak_summary import SoakSummary
from benchlog.verdict.soak.soak_summary_text import hole_rows, summary_facts

_HOLES = 50
_LABEL_CELLS = 13


class NightScreen(BenchScreen):
    """How a long run has gone so far."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,y", "back", "back", key_display="Esc"),
        Binding("down", "scroll(1)", "move", key_display="↑↓"),
        Binding("up", "scroll(-1)", "up", show=False),
        Binding("pageup", "scroll(-10)", "page up", show=False),
        Binding("pagedown,space", "scroll(10)", "page down", show=False),
    ]
    app: ScreenHost

    def __init__(self, follower: Follower) -> None:
        super().__init__()
        self._follower = follower

    def content(self) -> Iterable[Widget]:
        """Return the page."""
        yield VerticalScroll(
            PlainText("Summary", classes="head"),
            PlainText(id="verdict-of-night"),
            PlainText("computing", id="facts-of-night"),
            PlainText(id="holes-of-night"),
            can_focus=False,
        )

    def on_mount(self) -> None:
        """Work it out beside the screen: laws take a second to fit."""
        run_beside(self, self._show, group="night")

    async def _show(self) -> None:
        try:
            watch, assessment, events = self._follower.summary_parts()
            summary = await asyncio.to_thread(watch.summary, assessment, events)
        except BenchlogError as error:
            self.query_one("#facts-of-night", PlainText).show(printable(str(error)))
            return
        self.query_one("#verdict-of-night", PlainText).show(
            verdict_content(assessment, self._follower.run)
        )
        self.query_one("#facts-of-night", PlainText).show(facts_content(summary))
        self.query_one("#holes-of-night", PlainText).show(holes_content(summary))

    def action_scroll(self, lines: int) -> None:
        """Move through the page."""
        self.query_one(VerticalScroll).scroll_relative(y=lines, animate=False)


def verdict_content(a: Assessment, run: Run) -> Content:
    """Return the verdict so far with what it rests on."""
    unit, u, _ = figures.beside_offset(a, a.nominal_hz, live=False)
    offset, limit = brief_wording.offset_text(a), brief_wording.limit_text(a)
    of_what = f"{offset} {unit}, {u}, {limit}"
    head = (f"{'verdict':<{_LABEL_CELLS}}", "$dim")
    if said := figures.not_counted(run):
        return Content.assemble(head, said, f"\n{'':<{_LABEL_CELLS}}{of_what}")
    return Content.assemble(head, f"{figures.verdict_text(a.word)}: {of_what}")


def facts_content(summary: SoakSummary) -> Content:
    """Return the facts, labels dimmed."""
    lines = []
    for label, text in summary_facts(summary):
        for number, line in enumerate(text.split("\n")):
            head = "" if number else label
            said = printable(line)
            lines.append(Content.assemble((f"{head:<{_LABEL_CELLS}}", "$dim"), said))
    return Content("\n").join(lines)


def holes_content(summary: SoakSummary) -> Content:
    """Return the gaps, one a line."""
    rows = hole_rows(summary, _HOLES)
    lines = [Content.styled("\ngaps (UTC)", "$dim")] if rows else []
    lines += [
        Content(printable(f"{at}  {lasted:>12}  {causes}: {text}"))
        for at, lasted, causes, text in rows
    ]
    if summary.gaps > len(rows):
        lines.append(Content(f"and {summary.gaps - len(rows):,} more"))
    return Content("\n").join(lines)
