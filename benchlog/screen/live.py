"""The live screen of one run; static when the run has ended."""

import asyncio
from collections.abc import Iterable
from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding, BindingType
from textual.containers import Container, Horizontal
from textual.widget import Widget

from benchlog.control import Answer
from benchlog.errors import BenchlogError
from benchlog.screen import asking, panels
from benchlog.screen.base import BenchScreen
from benchlog.screen.bell import Bell
from benchlog.screen.follow import Follower
from benchlog.screen.happenings import marks
from benchlog.screen.questions import AskStop, AskText
from benchlog.screen.widgets.chart import Chart, Shown
from benchlog.screen.widgets.parts import Facts, LargeFigure, TwoEnds
from benchlog.screen.widgets.plain import Plain

if TYPE_CHECKING:
    from benchlog.screen.app import BenchApp

_TICK_S: Final = 0.25
_HEAR_S: Final = 2.0
_FIGURES_EVERY: Final = 4
_FEW: Final = 12
_SAID_TICKS: Final = 32


class LiveScreen(BenchScreen):
    """One run: figures, chart, events, and the keys to act on it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("s", "stop", "stop", tooltip="end the run; its readings stay"),
        Binding("p", "ask('pause')", "pause", tooltip="take no readings for a while"),
        Binding("p", "ask('go-on')", "go on", tooltip="take readings again"),
        Binding("n", "note", "note", tooltip="write a remark into the run"),
        Binding("m", "mark", "mark", tooltip="mark this moment on the chart"),
        Binding("a", "again", "again", tooltip="end this run, measure the device anew"),
        Binding("l", "scale", "limits/data", tooltip="scale to the limits or the data"),
        Binding("w", "window", "window", tooltip="whole run, hour, 10 min, minute"),
        Binding("b", "bell(True)", "bell on", tooltip="ring when the verdict is clear"),
        Binding("b", "bell(False)", "bell off", tooltip="be quiet"),
        Binding(
            "k",
            "ask('keep-going')",
            "keep going",
            tooltip="let the run go on when this terminal is closed",
        ),
        Binding("h", "app.history", "history", tooltip="all runs of this database"),
        Binding("escape", "back", "back", key_display="Esc"),
    ]
    app: "BenchApp"

    def __init__(self, follower: Follower) -> None:
        super().__init__()
        self.follower = follower
        self._bell = Bell()
        self._ticks = 0
        self._drawn_at = -_FIGURES_EVERY
        self._changed = True
        self._said, self._said_at = "", -_SAID_TICKS
        self._offered: tuple[object, ...] = ()

    def content(self) -> Iterable[Widget]:
        """Return the parts of the screen from top to bottom."""
        yield TwoEnds(id="who")
        yield Plain(id="where")
        yield TwoEnds(id="state")
        yield Horizontal(
            LargeFigure(id="offset"), Plain(id="beside"), Plain(id="verdict"), id="head"
        )
        yield Container(Facts(id="facts"), Facts(id="budget"), id="middle")
        yield Chart(id="chart")
        yield Plain(id="events")
        yield TwoEnds(id="news")

    # --- keeping up ------------------------------------------------------------------

    def on_unmount(self) -> None:
        """Let go of the database."""
        self.follower.close()

    def on_mount(self) -> None:
        """Go through what is there already, then look every quarter of a second."""
        self._show_standing()
        self.run_worker(self._catch_up(), group="catch-up")

    async def _catch_up(self) -> None:
        try:
            self.follower.look()
            while not self.follower.caught_up and self.follower.take():
                self._show_standing()
                self._show_chart()
                await asyncio.sleep(0)
        except BenchlogError as error:
            self.follower.fault = str(error)
        self._tick()
        self.set_interval(_TICK_S, self._tick)
        self._hear()
        self.set_interval(_HEAR_S, self._hear)

    def _tick(self) -> None:
        self._ticks += 1
        self._changed = self.follower.tick() or self._changed
        due = self._ticks - self._drawn_at >= _FIGURES_EVERY
        if self._changed and (due or self.follower.readings <= _FEW):
            self._changed, self._drawn_at = False, self._ticks
            self.show_all()
        else:
            self._show_standing()

    def _hear(self) -> None:
        if self.follower.run.open:
            self.run_worker(self._listen(), group="hear", exclusive=True)

    async def _listen(self) -> None:
        follower = self.follower
        before = follower.keeper
        follower.heard(await asking.hear(self.app.database, follower.run))
        if follower.keeper != before:
            self._changed = True

    # --- showing ---------------------------------------------------------------------

    def show_all(self) -> None:
        """Bring every part of the screen up to date."""
        follower = self.follower
        assessment = follower.assess()
        standing = follower.standing()
        self.query_one("#who", TwoEnds).show(*panels.who(standing))
        self.query_one("#where", Plain).show(panels.where(standing))
        verdict = self.query_one("#verdict", Plain)
        verdict.show(panels.verdict(standing, verdict.size.width))
        room = self.size.width - verdict.size.width - panels.BESIDE_CELLS
        self.query_one("#offset", LargeFigure).show(panels.number(standing), room)
        self.query_one("#beside", Plain).show(panels.beside(standing))
        facts = panels.facts(standing)
        self.query_one("#facts", Facts).show_facts(facts, panels.LABEL_CELLS)
        self.query_one("#budget", Facts).show(panels.budget(standing))
        events = self.query_one("#events", Plain)
        events.show(panels.events(standing, events.size.height))
        self._show_chart()
        self._show_standing()
        if self._bell.rings(standing, assessment) and self.app.bell_on:
            self.app.bell()

    def _show_standing(self) -> None:
        standing = self.follower.standing()
        self.query_one("#state", TwoEnds).show(*panels.state(standing))
        fresh = self._ticks - self._said_at < _SAID_TICKS
        self.query_one("#news", TwoEnds).show(
            panels.news(standing, self._said if fresh else "")
        )
        offered = (standing.live, standing.keeper)
        if offered != self._offered:
            self._offered = offered
            self.refresh_bindings()

    def _show_chart(self) -> None:
        follower = self.follower
        assessment = follower.assess()
        shown = Shown(
            end_s=follower.trace.end_s,
            live=follower.standing().live,
            limit_ppm=None if assessment is None else assessment.limit.ppm,
            marks=marks(follower.events, follower.trace.timeline),
        )
        self.query_one("#chart", Chart).look_at(follower, shown)

    def on_resize(self) -> None:
        """Use the room there is now."""
        self.call_after_refresh(self.show_all)

    # --- acting ----------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what would do something now."""
        live, keeper = self.follower.standing().live, self.follower.keeper
        match (action, *parameters):
            case ("stop" | "note" | "mark" | "again", *_):
                return live
            case ("ask", "keep-going"):
                return live and not keeper.keeps_going
            case ("ask", verb):
                return live and keeper.paused == (verb == "go-on")
            case ("bell", on):
                return live and self.app.bell_on != on
            case _:
                return super().check_action(action, parameters)

    async def action_ask(self, verb: str) -> None:
        """Ask the keeper for something that needs no words."""
        self._send(verb)

    def action_stop(self) -> None:
        """End the run, if that is really meant."""

        def answered(answer: str | None) -> None:
            if answer == "stop":
                self._send("stop")

        run = self.follower.run
        said = f"{self.follower.readings:,} readings stay in the database."
        self.app.push_screen(AskStop(f"Stop run {run.id}?", said), answered)

    def action_note(self) -> None:
        """Write a remark into the run."""
        self._ask_text("Note for this run", "note", empty_is_fine=False)

    def action_mark(self) -> None:
        """Mark this moment, with a word or without."""
        self._ask_text("Mark this moment (a word, or nothing)", "mark", True)

    def _ask_text(self, asked: str, verb: str, empty_is_fine: bool) -> None:
        def answered(answer: str | None) -> None:
            if answer:
                self._send(verb, answer.strip())

        question = AskText(asked, empty_is_fine=empty_is_fine)
        self.app.push_screen(question, answered)

    def action_again(self) -> None:
        """Measure the device anew: this run ends, another begins."""
        self._send("again")

    def action_scale(self) -> None:
        """Scale the chart to the limits or to the data."""
        self.query_one(Chart).other_scale()

    def action_window(self) -> None:
        """Show another stretch of time."""
        self.query_one(Chart).next_window()

    def action_bell(self, on: bool) -> None:
        """Ring when the verdict is clear, or not."""
        self.app.bell_on = on
        self.say(
            "the bell rings when the verdict is clear" if on else "the bell is off"
        )
        self.refresh_bindings()

    def say(self, text: str) -> None:
        """Say something for a few seconds."""
        self._said, self._said_at = text, self._ticks
        self._show_standing()

    def _send(self, verb: str, text: str = "") -> None:
        self.run_worker(self._sent(verb, text), group="send")

    async def _sent(self, verb: str, text: str) -> None:
        run = self.follower.run
        answer: Answer = await asking.ask(self.app.database, run, verb, text)
        self.say(panels.answered(verb, answer))
        following = answer.data.get("run")
        if answer.ok and verb == "again" and isinstance(following, int):
            self.app.follow_on(run.id, following)
        else:
            self._hear()
