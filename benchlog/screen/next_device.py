"""After a run: the line that takes the next device, and what this sitting measured."""

from collections.abc import Sequence
from functools import partial
from typing import ClassVar, Final

from textual import events
from textual.binding import Binding, BindingType
from textual.content import Content

from benchlog.errors import BenchlogError
from benchlog.evaluation.brief_wording import UNKNOWN
from benchlog.evaluation.verdict_wording import symbol_of
from benchlog.model import Purpose, Run
from benchlog.screen.base import run_beside
from benchlog.screen.follow import Follower
from benchlog.screen.run_actions import ActingScreen
from benchlog.screen.widgets.text import Newest, PlainText
from benchlog.units import format_ppm, format_u_ppm, printable

ID_CELLS: Final = 120
INVITATION: Final = "next device: scan its id, or press Enter and type it"
_DEVICE_CELLS: Final = 24
_OFFSET_CELLS: Final = 22


class NextLine(PlainText):
    """The line for the next device's id.

    Its screen hands it every key: keys that a line with the focus takes would overtake
    those that are on their way to the screen, and a scanner sends all of them at once.
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.typed: str | None = None
        """What the line holds; None while it is closed."""

    @property
    def is_open(self) -> bool:
        """Whether keys are text for it."""
        return self.typed is not None

    def open(self, text: str = "") -> None:
        """Take keys from now on."""
        self.typed = ""
        self.type(text)

    def close(self) -> None:
        """Take no keys any more; what was typed is dropped."""
        self.typed = None

    def type(self, text: str) -> None:
        """Put text at the end of the line, as far as an id may be long."""
        if self.typed is not None:
            self.typed = (self.typed + text)[:ID_CELLS]

    def rub_out(self, *, all_of_it: bool = False) -> None:
        """Take back the last character, or all."""
        if self.typed is not None:
            self.typed = "" if all_of_it else self.typed[:-1]

    def invite(self, said: str) -> None:
        """Show what was typed, else what may be."""
        if self.typed is None:
            self.show(Content.styled(said, "$key"))
        else:
            self.show(
                Content.assemble(
                    ("next device ▸ ", "$key bold"),
                    (printable(self.typed), "bold"),
                    ("▏", "$key"),
                )
            )


def may_be_followed(run: Run) -> bool:
    """Whether one more device may follow a run with the same settings."""
    return run.purpose in (Purpose.MEASURE, Purpose.SOAK) and run.checks is None


def opens_line(pressed: events.Key, taken: frozenset[str]) -> bool:
    """Whether a key begins an id: it is typed text, and no key of the screen."""
    typed = pressed.is_printable and pressed.character not in (None, " ")
    return typed and pressed.key not in taken


def sitting_lines(runs: Sequence[Run]) -> Content:
    """Return a line for each run that has ended: verdict, device, offset with U."""
    return Content("\n").join(_line(run) for run in runs if not run.open)


def _line(run: Run) -> Content:
    device = Content(printable(run.device)).truncate(_DEVICE_CELLS, ellipsis=True)
    space = " " * (_DEVICE_CELLS - device.cell_length)
    word = run.verdict or UNKNOWN
    said = f"{format_ppm(run.offset_ppm, run.u_ppm)} ± {format_u_ppm(run.u_ppm)} ppm"
    offset = said if run.u_ppm is not None else UNKNOWN
    why = "" if run.ended_how in _BY_PLAN else f" ({run.ended_how})"
    style = "$fail" if word == "fail" else "$dim"
    return Content.assemble(
        (f"{symbol_of(word) or ' '} ", style),
        device,
        space,
        (f"{offset:>{_OFFSET_CELLS}}  ", "$dim"),
        (word, style),
        (f"{why}  run {run.id}", "$dim"),
    )


_BY_PLAN: Final = ("verdict clear", "readings reached", "time reached", "stopped")


class NextDeviceScreen(ActingScreen):
    """A screen on one run, on which the next device's run can follow."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "enter",
            "next",
            "next device",
            key_display="Enter",
            tooltip="after a run: the next device; a scanned id needs no Enter first",
        ),
        Binding(
            "enter",
            "begin_next",
            "measure it",
            show=True,
            key_display="Enter",
            tooltip="next device",
        ),
        Binding("escape", "close_next", "not now", key_display="Esc", tooltip="back"),
    ]

    def __init__(self, follower: Follower) -> None:
        super().__init__(follower)
        self._beginning = False

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer the next device after a run, and no other key while it is typed."""
        typing = self.is_typing
        if action in ("begin_next", "close_next"):
            return typing
        if typing:  # every other key is text now
            return action in ("leave", "begin_next", "close_next")
        if action == "next":
            return self._next_may_come
        return super().check_action(action, parameters)

    @property
    def is_typing(self) -> bool:
        """Whether keys are text of the next device's id."""
        line = self.query_one_optional("#next", NextLine)  # kept: asked for each key
        return line is not None and line.is_open

    def show_all(self) -> None:
        """Bring every part of the screen up to date; for the subclass."""
        raise NotImplementedError

    def show_sitting(self) -> None:
        """Show what this sitting measured, and the line for the next device."""
        runs = self.app.sitting()
        earlier = [run for run in runs if not run.open]
        several = bool(earlier)
        self.set_class(several, "-sitting")
        if several:
            self.query_one("#sitting", Newest).show(sitting_lines(runs))
        self._show_next()

    def _show_next(self) -> None:
        line = self.query_one("#next", NextLine)
        ready = self._next_may_come
        self.set_class(ready or line.is_open, "-next")
        line.invite(INVITATION if ready else "")

    @property
    def _next_may_come(self) -> bool:
        return not self._beginning and self.app.may_be_followed(self.follower.run)

    def on_key(self, event: events.Key) -> None:
        """Take what is typed for the next device, in the order of the keys."""
        line = self.query_one("#next", NextLine)
        if not line.is_open:
            if not self._next_may_come or not opens_line(event, self._keys()):
                return
            line.open()
        if event.key in ("enter", "ctrl+j"):
            self.action_begin_next()
        elif event.key == "escape":
            self.action_close_next()
        elif event.key in ("backspace", "ctrl+u"):
            line.rub_out(all_of_it=event.key == "ctrl+u")
        elif event.is_printable and event.character:
            line.type(event.character)
        else:
            return
        event.stop()
        event.prevent_default()
        self._show_next()
        self.refresh_bindings()

    def on_paste(self, event: events.Paste) -> None:
        """Take an id that is pasted; a line of it ends the id, as Enter does."""
        line = self.query_one("#next", NextLine)
        if self._next_may_come or line.is_open:
            if not line.is_open:
                line.open()
            line.type("".join(filter(str.isprintable, event.text)))
            self._show_next()
            self.refresh_bindings()

    def _keys(self) -> frozenset[str]:
        """Return every key that means something here, also those of no use now."""
        return frozenset(
            key for _, bindings in self._modal_binding_chain for key, _ in bindings
        )

    def action_next(self) -> None:
        """Open the line for the next device's id."""
        self.query_one("#next", NextLine).open()
        self._show_next()
        self.refresh_bindings()

    def action_close_next(self) -> None:
        """Close the line; what was typed is dropped."""
        self.query_one("#next", NextLine).close()
        self._show_next()
        self.refresh_bindings()

    def action_begin_next(self) -> None:
        """Begin the run on the device that was typed."""
        line = self.query_one("#next", NextLine)
        device = (line.typed or "").strip()
        line.close()
        if device and not self._beginning:
            self._beginning = True
            self.say(f"starting on {printable(device)}: asking the instruments ...")
            run_beside(self, partial(self._begin_next, device), group="send")

    async def _begin_next(self, device: str) -> None:
        try:
            await self.app.begin_next(self.follower.standing(), device)
        except BenchlogError as error:
            if self.has_widgets:
                self._beginning = False
                self.say(f"not begun: {error}".replace("\n", " "))
                self.show_all()
