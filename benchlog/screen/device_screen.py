"""Asking for the device's id, by keyboard or by a scanner that types."""

import asyncio
from collections.abc import Callable, Iterable
from functools import partial
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.widget import Widget
from textual.widgets import Input

from benchlog.errors import BenchlogError
from benchlog.screen.base import BenchScreen, run_beside
from benchlog.screen.questions import Typed
from benchlog.screen.screen_host import ScreenHost
from benchlog.screen.widgets.text import PlainText
from benchlog.units import printable

Start = Callable[[str], int]
"""Starts a run on a device and returns the run's id; may take seconds."""


class DeviceScreen(BenchScreen):
    """Which device is at the position? Enter starts the run on it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "quit", key_display="Esc"),
    ]
    app: ScreenHost

    def __init__(self, start: Start) -> None:
        super().__init__(classes="question")
        self._start = start
        self._busy = False

    def content(self) -> Iterable[Widget]:
        """Return the question, the line to type in, and what came of it."""
        yield Vertical(
            PlainText("Which device is this?", classes="asked"),
            PlainText("Type its id, or scan it: any text, as it stands on the device."),
            Typed(max_length=500, placeholder="device id"),
            PlainText("Enter starts the measurement.", id="said", classes="said"),
        )

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Start the run on the device that was named."""
        device = event.value.strip()
        if not device:
            self._say("A device needs an id, otherwise nobody can find its run again.")
        elif not self._busy:
            self._busy = True
            self._say(f"Starting on {printable(device)}: asking the instruments ...")
            run_beside(self, partial(self._begin, device))

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Do not leave while a run is being started."""
        del parameters
        return not (action == "leave" and self._busy)

    def action_leave(self) -> None:
        """Leave; nothing was begun."""
        self.app.action_quit_now()

    async def _begin(self, device: str) -> None:
        try:
            run_id = await asyncio.to_thread(self._start, device)
            self.app.open_own(run_id)
        except BenchlogError as error:
            self._say(printable(str(error).replace("\n", " ")))
            self.query_one(Input).value = ""
        finally:
            self._busy = False

    def _say(self, text: str) -> None:
        self.query_one("#said", PlainText).show(text)
