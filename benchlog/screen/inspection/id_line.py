"""The line that takes ids from a scanner, and what is asked beside it.

A scanner types an id and ends it with Enter, whatever is on the screen. So nothing that
is asked here takes the keys away from the line, and Enter answers no question: keys do
that no scanner sends.
"""

from dataclasses import dataclass
from typing import Final

from textual.widgets import Input

from benchlog.screen.questions import Typed
from benchlog.units import printable

ID_CELLS: Final = 500
NOTE_CELLS: Final = 2_000


class Scanned(Typed):
    """A line that is empty again as soon as Enter has taken what was in it.

    Emptied later, it would lose the beginning of an id that follows at once.
    """

    async def action_submit(self) -> None:
        """Hand on what was typed, and be ready for the next."""
        await super().action_submit()
        self.value = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineQuestion:
    """What is asked beside the line; `said` is the question with its keys.

    `verb` is what the keeper is asked for on yes: `device` (measure it again) or
    `note`; nothing is asked when it is empty. `run` is the one that a note is for:
    another device may be measured there before it is written.
    """

    verb: str = ""
    device: str = ""
    position: str = ""
    said: str = ""
    run: int | None = None

    @classmethod
    def twice(cls, device: str, said: str) -> "LineQuestion":
        """Ask whether a device that was measured already is measured again."""
        return cls(verb="device", device=device, said=_twice(device, said))

    @classmethod
    def note(cls, device: str, position: str, run: int | None) -> "LineQuestion":
        """Take the line for a remark."""
        of = f"Note for {printable(device)}" if device else "Note"
        said = f"{of}: F5 keeps what the line holds, Enter does not; Esc: no note"
        return cls(verb="note", device=device, position=position, said=said, run=run)

    @property
    def noting(self) -> bool:
        """Whether the line holds a remark and no id."""
        return self.verb == "note"

    @property
    def again(self) -> bool:
        """Whether a device is in question."""
        return self.verb == "device"


def _twice(device: str, said: str) -> str:
    return (
        f"{printable(device)} was measured already: F9 measures it again, Esc or the "
        f"next id does not. {said}"
    )


def make_ready(line: Input, asked: LineQuestion) -> None:
    """Let the line take as much as what is asked for needs, and say what it takes."""
    line.max_length = NOTE_CELLS if asked.noting else ID_CELLS
    line.placeholder = (
        "the remark, then F5" if asked.noting else "device id, then Enter"
    )
