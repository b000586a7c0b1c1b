"""What a person can do to the run that is shown: keys, questions, requests."""

from functools import partial
from typing import ClassVar, Final

from textual.binding import Binding, BindingType

from benchlog.model import Purpose
from benchlog.screen import panels
from benchlog.screen.base import BenchScreen, run_beside
from benchlog.screen.control_client import Moment
from benchlog.screen.follow import Follower
from benchlog.screen.questions import AskAgain, AskStop, AskText
from benchlog.screen.screen_host import ScreenHost
from benchlog.screen.sibling_runs import named, others_open
from benchlog.units import printable

_LOT_PURPOSES: Final = (Purpose.INSPECT, Purpose.TRIM)
"""Their keeper ends as a whole, as `benchlog stop` tells."""


class ActingScreen(BenchScreen):
    """A screen on one run, with the keys that its keeper answers to."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("s", "stop", "stop", tooltip="end the run; its readings are kept"),
        Binding(
            "p",
            "ask('pause')",
            "pause",
            tooltip="take no readings for a while; its time goes on",
        ),
        Binding("p", "ask('go-on')", "go on", tooltip="take readings again"),
        Binding("n", "note", "note", tooltip="write a remark into the run"),
        Binding("m", "mark", "mark", tooltip="mark this moment on the chart"),
        Binding(
            "a",
            "again",
            "again/next",
            tooltip="end this run and begin another: asks for the device first",
        ),
        Binding(
            "k",
            "ask('keep-going')",
            "keep going",
            tooltip="let the run continue when this terminal is closed",
        ),
    ]
    app: ScreenHost

    def __init__(self, follower: Follower) -> None:
        super().__init__()
        self.follower = follower

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what would do something now."""
        live, keeper = self.follower.standing().live, self.follower.keeper
        live = live and not self.app.look_only
        match (action, *parameters):
            case ("stop" | "note" | "mark" | "again", *_):
                return live
            case ("ask", "keep-going"):
                return live and not keeper.keeps_going
            case ("ask", verb):
                return live and keeper.paused == (verb == "go-on")
            case _:
                return super().check_action(action, parameters)

    def say(self, text: str) -> None:
        """Say something for a few seconds; for the subclass."""
        raise NotImplementedError

    def hear(self) -> None:
        """Ask how the keeper stands; for the subclass."""
        raise NotImplementedError

    def action_ask(self, verb: str) -> None:
        """Ask the keeper for something that needs no words."""
        self._send(verb)

    def action_stop(self) -> None:
        """End the run, if that is really meant."""

        def answered(answer: str | None) -> None:
            if answer == "stop":
                self._send("stop")

        run = self.follower.run
        others = others_open(self.app.beside, run)
        at = (
            f" ({printable(run.device)} at {printable(run.position)})" if others else ""
        )
        self.app.push_screen(
            AskStop(f"Stop run {run.id}{at}?", self._at_stake_of_all), answered
        )

    def _at_stake(self) -> str:
        """Say what becomes of what is there, and of the runs beside this one."""
        said = f"{self.follower.readings:,} readings stay in the database."
        others = others_open(self.app.beside, self.follower.run)
        if not others:
            return said
        on = "goes on" if len(others) == 1 else "go on"
        return f"{said} Only this run ends: {named(others)} {on}."

    def _at_stake_of_all(self) -> str:
        """Say what a stop ends: of a lot all that is measured for it."""
        run = self.follower.run
        if not run.lot or run.purpose not in _LOT_PURPOSES:
            return self._at_stake()
        said = f"{self.follower.readings:,} readings stay in the database."
        others = others_open(self.app.beside, run)
        beside = f" {named(others)} included;" if others else ""
        return (
            f"{said} All work on lot {printable(run.lot)} ends,{beside} the lot can be "
            "gone on with."
        )

    def action_note(self) -> None:
        """Write a remark into the run."""
        self._ask_text("note", AskText("Note for this run"))

    def action_mark(self) -> None:
        """Mark this moment, with a word or without."""
        asked = "Mark this moment (with a word, or without)"
        said = (
            "It is the moment at which m was pressed. Words that `benchlog response` "
            "takes up: warming, cooling, supply 3.3 V."
        )
        question = AskText(asked, said, empty_is_fine=True)
        self._ask_text("mark", question, self.follower.moment())

    def action_again(self) -> None:
        """End this run and begin another, once the device is named."""

        run = self.follower.run
        offered = printable(run.device)

        def answered(answer: str | None) -> None:
            if answer:
                self._send("again", "" if answer == offered else answer)

        asked = f"End run {run.id} and begin another? On which device?"
        question = AskAgain(asked, offered, self._at_stake)
        self.app.push_screen(question, answered)

    def _ask_text(self, verb: str, question: AskText, at: Moment | None = None) -> None:
        def answered(answer: str | None) -> None:
            if answer:
                self._send(verb, answer.strip(), at)

        self.app.push_screen(question, answered)

    def _ask_once_more(self, text: str, error: str) -> None:
        """Show a note that could not be kept; it is not lost with the answer."""
        said = f"It could not be kept: {error}. Copy it, or try once more with Enter."
        self._ask_text("note", AskText("Note for this run", said, typed=text))

    def _send(self, verb: str, text: str = "", at: Moment | None = None) -> None:
        run_beside(self, partial(self._sent, verb, text, at), group="send")

    async def _sent(self, verb: str, text: str, at: Moment | None) -> None:
        run = self.follower.run
        answer = await self.app.ask(run, verb, text, at)
        if not self.has_widgets:
            return
        self.say(panels.answered(verb, answer))
        if verb == "note" and not answer.ok:
            self._ask_once_more(text, answer.error)
        following = answer.data.get("run")
        if answer.ok and verb == "again" and isinstance(following, int):
            self.app.follow_on(run.id, following, again=not text)
        else:
            self.hear()
