"""The keys of a lot's screen, and the help that explains them."""

from collections.abc import Awaitable, Callable
from typing import Final

from textual import events
from textual.binding import Binding, BindingType
from textual.screen import Screen

from benchlog.screen.help import HelpScreen

LOT_KEYS: Final[list[BindingType]] = [
    Binding(
        "f2",
        "do('again')",
        "again",
        key_display="F2",
        tooltip="measure the last device again",
    ),
    Binding(
        "f2",
        "answer('take-out')",
        "wrong part, take it out",
        key_display="F2",
        tooltip="asked about a wrong part: it is one, the right one gets its id",
    ),
    Binding(
        "f3",
        "do('aside')",
        "take back",
        key_display="F3",
        tooltip="the last run shall not count",
    ),
    Binding(
        "f3",
        "answer('skip')",
        "skip it",
        key_display="F3",
        tooltip="asked about a wrong part: it shall not count, the next id follows",
    ),
    Binding(
        "f4",
        "do('damaged')",
        "damaged",
        key_display="F4",
        tooltip="it counts as defective",
    ),
    Binding(
        "f5",
        "note",
        "note",
        key_display="F5",
        tooltip="write a remark into its run; once more keeps it",
    ),
    Binding(
        "f6",
        "pause",
        "pause/go on",
        key_display="F6",
        tooltip="begin nothing for a while",
    ),
    Binding(
        "f7",
        "bell",
        "sound",
        key_display="F7",
        tooltip="1 ring pass, 2 fail, 3 undecided",
    ),
    Binding(
        "f8",
        "leave",
        "leave",
        key_display="F8",
        tooltip="`inspect --lot` goes on from here",
    ),
    Binding(
        "f9",
        "answer('meant')",
        "it is meant",
        key_display="F9",
        tooltip="asked about a wrong part: it is meant, and counts as measured",
    ),
    Binding(
        "ctrl+z",
        "do('undo')",
        "undo",
        key_display="Ctrl+Z",
        tooltip="undo what F2, F3, F4 or F9 did last; again: what was done before",
        priority=True,
    ),
    Binding(
        "f9",
        "yes('again')",
        "measure it again",
        key_display="F9",
        tooltip="yes, measure it again: both runs are kept, the newest counts",
    ),
    Binding(
        "f9",
        "yes('in')",
        "it is in",
        key_display="F9",
        tooltip="the device that is waited for is in already",
    ),
    Binding(
        "escape",
        "no",
        "no",
        key_display="Esc",
        tooltip="no: what was typed stays in the line",
    ),
    Binding(
        "tab",
        "position",
        "position",
        key_display="Tab",
        tooltip="with several positions: the keys mean the next one",
        priority=True,
    ),
    Binding("ctrl+c,ctrl+q", "leave", "leave", show=False),
    Binding("f1", "help", "help", key_display="F1", tooltip="this page"),
]


# --- help over a lot's screen: what a scanner types meanwhile reaches the line

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
