"""The live screen of one run; static when the run has ended."""

import asyncio
from collections.abc import Iterable
from typing import ClassVar, Final

from textual.binding import Binding, BindingType
from textual.containers import Container, Horizontal
from textual.content import Content
from textual.widget import Widget

from benchlog.errors import BenchlogError
from benchlog.model import (
    Purpose,
)
from benchlog.screen import control_client as asking
from benchlog.screen import panels
from benchlog.screen.background_view import StudyScreen
from benchlog.screen.base import run_beside
from benchlog.screen.bell import Bell
from benchlog.screen.event_text import marks
from benchlog.screen.follow import Follower
from benchlog.screen.next_device import NextDeviceScreen, NextLine
from benchlog.screen.run_status import RunStatus
from benchlog.screen.sibling_runs import others_open, strip
from benchlog.screen.soak_summary_screen import NightScreen
from benchlog.screen.widgets.charts import WINDOWS, OffsetChart, Shown
from benchlog.screen.widgets.text import (
    FactLines,
    LargeFigure,
    Newest,
    PlainText,
    TwoEnds,
    Verdict,
)
from benchlog.units import printable

_TICK_S: Final = 0.25
_HEAR_S: Final = 2.0
_FIGURES_EVERY: Final = 4
_FEW: Final = 12
_SAID_TICKS: Final = 32
_SCALE: Final = "scale the chart to the limits, or fit it to the data"
_WINDOW: Final = "show the last hour, 10 min, minute, the whole run in turn"
_BELL: Final = (
    "the bell: it rings for alarms, and when the verdict is clear or changes; the bar "
    "tells how it is set"
)


class LiveScreen(NextDeviceScreen):
    """One run: figures, chart, events, and the keys to act on it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("l", "scale('limits')", "limits", tooltip=_SCALE),
        Binding("l", "scale('data')", "fit data", tooltip=_SCALE),
        *(
            Binding("w", f"window({n})", name, tooltip=_WINDOW)
            for n, (name, _) in enumerate(WINDOWS)
        ),
        Binding("b", "bell(True)", "bell: off", tooltip=_BELL),
        Binding("b", "bell(False)", "bell: on", tooltip=_BELL),
        Binding("v", "study", "view", tooltip="stability, temperature law, ageing"),
        Binding("y", "night", "summary", tooltip="summary of a long run so far"),
        Binding(
            "tab",
            "beside",
            "other position",
            key_display="Tab",
            tooltip="show the run at the next position",
        ),
        Binding("o", "overview", "all positions", tooltip="offset and verdict of each"),
        Binding("h", "app.history", "history", tooltip="all runs of this database"),
        Binding("escape", "back", "back", key_display="Esc"),
    ]

    def __init__(self, follower: Follower, last: RunStatus | None = None) -> None:
        """Show a run; `last` stands there dimmed until it has a reading."""
        super().__init__(follower)
        self._last = last
        self._bell = Bell()
        self._ticks = 0
        self._drawn_at = -_FIGURES_EVERY
        self._changed = True
        self._said, self._said_at = "", -_SAID_TICKS
        self._offered: tuple[object, ...] = ()

    def content(self) -> Iterable[Widget]:
        """Return the parts of the screen from top to bottom."""
        yield PlainText(id="positions")
        yield TwoEnds(id="who")
        yield PlainText(id="where")
        yield TwoEnds(id="state")
        yield Horizontal(
            LargeFigure(id="offset"),
            PlainText(id="beside"),
            Verdict(id="verdict"),
            id="head",
        )
        yield Container(FactLines(id="facts"), PlainText(id="budget"), id="middle")
        yield OffsetChart(id="chart")
        yield Newest(id="events")
        yield PlainText(id="news")
        yield Newest(id="sitting")
        yield NextLine(id="next")

    # --- keeping up ------------------------------------------------------------------

    def on_mount(self) -> None:
        """Go through what is there already, then look every quarter of a second."""
        run_beside(self, self._keep_up, group="keep-up")

    def on_unmount(self) -> None:
        """Let go of the database."""
        self.follower.close()

    async def _keep_up(self) -> None:
        try:
            self.follower.look()
            self.show_all()
            while not self.follower.caught_up and self.follower.read_new():
                self._show_standing(self.follower.standing())
                await asyncio.sleep(0)
                if not self.has_widgets:
                    return
        except BenchlogError as error:
            self.follower.fault = str(error)
        self._tick()
        self.set_interval(_TICK_S, self._tick)
        self.hear()
        self.set_interval(_HEAR_S, self.hear)

    def _tick(self) -> None:
        self._ticks += 1
        self._changed = self.follower.tick() or self._changed
        due = self._ticks - self._drawn_at >= _FIGURES_EVERY
        if self._changed and (due or self.follower.readings <= _FEW):
            self._changed, self._drawn_at = False, self._ticks
            self.show_all()
        else:
            self._show_standing(self.follower.standing())

    def hear(self) -> None:
        """Ask how the keeper stands, as long as it has this run or another one."""
        run = self.follower.run
        socket = self.app.database.parent / run.control
        if (
            run.open
            or (run.control and socket.exists())
            or others_open(self.app.beside, run)
        ):
            run_beside(self, self._listen, group="hear", exclusive=True)

    async def _listen(self) -> None:
        follower = self.follower
        before = follower.keeper
        keeper = await asking.hear(self.app.database, follower.run, self.app.file)
        if not self.has_widgets:  # the screen was left meanwhile
            return
        follower.heard(keeper)
        self._changed = self._changed or follower.keeper != before
        self.app.beside.heard(follower.run.control, keeper)
        self._show_positions()

    # --- showing ---------------------------------------------------------------------

    def show_all(self) -> None:
        """Bring every part of the screen up to date."""
        assessment = self.follower.assess()
        standing = self.follower.standing()
        self._show_positions()
        self.show_sitting()
        self.query_one("#who", TwoEnds).show(*panels.who(standing))
        self.query_one("#where", PlainText).show(panels.where(standing))
        self._show_head(standing)
        listed = bool(self.query_one("#budget").display)
        facts = panels.facts(standing, listed=listed)
        self.query_one("#facts", FactLines).show_facts(facts, panels.LABEL_CELLS)
        self.query_one("#budget", PlainText).show(panels.budget(standing))
        self.query_one("#events", Newest).show(panels.events(standing))
        self._show_chart(standing)
        self._show_standing(standing)
        verdict = self._bell.rings(standing, assessment) and self.app.bell_on
        if (self._bell.alarmed(standing) and self.app.alarms_ring) or verdict:
            self.app.bell()

    def _show_positions(self) -> None:
        said = strip(self.app.beside, self.follower.run)
        if self.query_one("#positions", PlainText).show(said):
            self.set_class(bool(said), "-several")
            self.refresh_bindings()

    def _show_head(self, standing: RunStatus) -> None:
        room = panels.room_for_figure(self.size.width)
        last = None if standing.readings or standing.loading else self._last
        shown = standing if last is None else last
        self.query_one("#offset", LargeFigure).show(panels.number(shown), room)
        word, style, under = panels.verdict(shown)
        beside = panels.beside(shown)
        if last is not None:
            style, under = "reverse $dim", Content(printable(last.run.device))
            beside = panels.of_the_last(beside)
        self.query_one("#verdict", Verdict).show(word, style, under)
        self.query_one("#beside", PlainText).show(beside)
        self.set_class(last is not None, "-last")

    def _show_standing(self, standing: RunStatus) -> None:
        self.query_one("#state", TwoEnds).show(*panels.state(standing))
        said = self._said if self._ticks - self._said_at < _SAID_TICKS else ""
        listed = self.query_one("#events").display
        self.query_one("#news", PlainText).show(panels.news(standing, said, listed))
        offered = (standing.live, standing.keeper)
        if offered != self._offered:
            self._offered = offered
            self.refresh_bindings()

    def _show_chart(self, standing: RunStatus) -> None:
        follower, a = self.follower, standing.assessment
        shown = Shown(
            end_s=follower.end_s,
            live=standing.live,
            limit_ppm=a.limit.ppm if a is not None and a.limit.known else None,
            marks=marks(follower.events, follower.trace.timeline),
        )
        chart = self.query_one("#chart", OffsetChart)
        offered = chart.next_of("scale")
        chart.look_at(follower, shown)
        if chart.next_of("scale") != offered:
            self.refresh_bindings()

    def on_resize(self) -> None:
        """Use the room there is now."""
        self.call_after_refresh(self.show_all)

    # --- looking closer --------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer the bell only where it may ring, a summary only of a soak."""
        if action == "overview":
            return bool(self.app.positions(self.follower.run))
        if action == "beside":
            return bool(self.app.beside.of(self.follower.run))
        if action == "night":
            return self.follower.run.made_for is Purpose.SOAK
        if action in ("scale", "window"):
            chart = self.query_one_optional("#chart", OffsetChart)
            return chart is not None and parameters[0] == chart.next_of(action)
        if action == "bell":
            return self.follower.standing().live and self.app.bell_on != parameters[0]
        return super().check_action(action, parameters)

    def action_beside(self) -> None:
        """Show the run at the next position."""
        run = self.follower.run
        ids = [one.id for one in self.app.beside.of(run)]
        at = ids.index(run.id) if run.id in ids else -1
        self.app.show_beside(run.id, ids[(at + 1) % len(ids)])

    def action_overview(self) -> None:
        """Show all positions at once."""
        self.app.show_overview(self.follower.run)

    def action_night(self) -> None:
        """Show how a long run has gone so far."""
        self.app.push_screen(NightScreen(self.follower))

    def action_scale(self, scale: str) -> None:
        """Scale the chart to the limits or to the data."""
        self.query_one(OffsetChart).choose_scale(scale)
        self.refresh_bindings()

    def action_window(self, number: int) -> None:
        """Show another stretch of time."""
        self.query_one(OffsetChart).choose_window(number)
        self.refresh_bindings()

    def action_study(self) -> None:
        """Look closely at the run: stability, temperature, ageing."""
        self.app.push_screen(StudyScreen(self.app.database, self.follower.run))

    def action_bell(self, on: bool) -> None:
        """Ring when the verdict is clear, or not."""
        self.app.bell_on = self.app.alarms_ring = on
        self.say(
            "bell on: it rings for alarms, and when the verdict is clear or changes"
            if on
            else "bell off: nothing rings, no alarm either"
        )
        self.refresh_bindings()

    def say(self, text: str) -> None:
        """Say something for a few seconds."""
        self._said, self._said_at = text, self._ticks
        self._show_standing(self.follower.standing())
