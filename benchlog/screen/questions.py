"""Short questions over a screen: a line of text, or one of a few keys."""

from collections.abc import Callable, Iterable
from typing import ClassVar, Final

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widget import Widget
from textual.widgets import Input

from benchlog.screen.widgets.key_bar import KeyBar
from benchlog.screen.widgets.text import PlainText

_AGAIN_S: Final = 0.5


class Question(ModalScreen[str]):
    """A question; its answer is a word or a line, empty when nothing was chosen."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "answer('')", "back", key_display="Esc"),
        Binding("ctrl+c", "answer('')", "back", show=False),
    ]

    def __init__(self, asked: str, said: str = "") -> None:
        super().__init__(classes="question")
        self._asked, self._said = asked, said

    def compose(self) -> ComposeResult:
        """Put what is asked over the way to answer."""
        with Vertical():
            yield PlainText(self._asked, classes="asked")
            if self._said:
                yield PlainText(self._said)
            yield from self.answers()
            yield KeyBar()

    def answers(self) -> Iterable[Widget]:
        """Return what stands between the question and the keys."""
        return ()

    def action_answer(self, answer: str) -> None:
        """Close the question with an answer."""
        self.dismiss(answer)


class Typed(Input):
    """A line to type in, or for a scanner that types and presses Enter."""

    BINDINGS: ClassVar[list[BindingType]] = [
        # Ctrl-J is a line feed: some scanners end with one, and so does what was
        # typed before the screen was there.
        Binding("enter,ctrl+j", "submit", "take it", key_display="Enter"),
        Binding("ctrl+c", "app.interrupt", "leave", show=False),
    ]

    async def on_key(self, event: events.Key) -> None:
        """Take Enter in its turn: as a binding it waits, and keys overtake it."""
        if event.key in ("enter", "ctrl+j"):
            event.stop()
            event.prevent_default()
            await self.action_submit()


class AskText(Question):
    """A line of any Unicode text; Enter sends it."""

    def __init__(self, asked: str, said: str = "", *, empty_is_fine: bool = False):
        super().__init__(asked, said)
        self._empty_is_fine = empty_is_fine

    def answers(self) -> Iterable[Widget]:
        """Return the line to type in."""
        yield Typed(max_length=2000, placeholder="type here")

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Answer with what was typed; an empty line only where that is fine."""
        text = event.value.strip()
        if text or self._empty_is_fine:
            self.dismiss(text or " ")


class AskStop(Question, inherit_bindings=False):
    """Whether to end a run for good; the key that asked confirms.

    `saying` tells what is at stake, which goes on growing while the question stands.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("s", "answer('stop')", "stop the run"),
        Binding("escape", "answer('')", "let it go on", key_display="Esc"),
        Binding("ctrl+c", "answer('')", "let it go on", show=False),
    ]

    def __init__(self, asked: str, saying: Callable[[], str]) -> None:
        super().__init__(asked)
        self._saying = saying

    def answers(self) -> Iterable[Widget]:
        """Return what is at stake."""
        yield PlainText(self._saying(), id="at-stake")

    def on_mount(self) -> None:
        """Say how it stands as long as the question does."""
        self.set_interval(_AGAIN_S, self._say)

    def _say(self) -> None:
        self.query_one("#at-stake", PlainText).show(self._saying())


class AskLeave(Question, inherit_bindings=False):
    """What becomes of what is still going when its screen is left."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("s", "answer('stop')", "stop and leave"),
        Binding("k", "answer('leave')", "keep going and leave"),
        Binding("ctrl+c", "answer('stop')", "stop and leave", show=False),
        Binding("escape", "answer('')", "stay", key_display="Esc"),
    ]
