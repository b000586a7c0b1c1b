"""Help over a lot's screen: what a scanner types meanwhile reaches the line."""

from collections.abc import Awaitable, Callable

from textual import events
from textual.screen import Screen

from benchlog.screen.help import HelpScreen

_ENDS = ("enter", "ctrl+j")
Take = Callable[[str, bool], Awaitable[None]]
"""Takes text into the line; whether Enter came after it."""


class LotHelp(HelpScreen):
    """Keys and figures in plain words; an id that is scanned closes it."""

    def __init__(self, asked_on: Screen[object], take: Take) -> None:
        super().__init__(asked_on)
        self._take, self._typed = take, ""

    async def on_key(self, event: events.Key) -> None:
        """Gather what is typed; Enter hands it on."""
        if self._typed and event.key in _ENDS:
            typed, self._typed = self._typed, ""
            if self.app.screen is self:
                self.action_back()
            await self._take(typed, True)
        elif event.character and event.is_printable and self._is_text(event.key):
            self._typed += event.character
        else:
            return
        event.stop()
        event.prevent_default()

    def _is_text(self, key: str) -> bool:
        """Whether a key is typed text: the first one may be a key of this page."""
        return bool(self._typed) or key not in ("question_mark", "space")

    async def on_unmount(self) -> None:
        """Hand on what was typed without Enter before the page was closed."""
        if self._typed:
            await self._take(self._typed, False)
