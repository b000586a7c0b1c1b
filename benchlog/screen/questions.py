"""Short questions over a screen: a line of text, or one of a few keys."""

from collections.abc import Callable, Iterable
from typing import ClassVar, Final

from textual import events
from textual.app import ComposeResult
from textual.await_complete import AwaitComplete
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

    def dismiss(self, result: str | None = None) -> AwaitComplete:
        """Close the question, once: another answer would close what lies beneath.

        A scanner that ends with CR LF answers twice before the first is taken.
        """
        return super().dismiss(result) if self.is_active else AwaitComplete()

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
    """A line of any Unicode text; Enter sends it.

    What was typed is not thrown away by one key: Esc asks, and only the next Esc drops
    it. `typed` is in the line from the start.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "back", key_display="Esc"),
        Binding("ctrl+c", "back", "back", show=False),
    ]

    def __init__(
        self,
        asked: str,
        said: str = "",
        *,
        empty_is_fine: bool = False,
        typed: str = "",
    ) -> None:
        super().__init__(asked, said)
        self._empty_is_fine = empty_is_fine
        self._typed, self._asked_back = typed, False

    def answers(self) -> Iterable[Widget]:
        """Return the line to type in, and room for what is asked of it."""
        yield Typed(self._typed, max_length=2000, placeholder="type here")
        yield PlainText("", id="keep", classes="said")

    def action_back(self) -> None:
        """Close an empty line; ask whether to drop what one holds."""
        if self._asked_back or not self.query_one(Input).value.strip():
            self.dismiss("")
            return
        self._asked_back = True
        self.query_one("#keep", PlainText).show(
            "Not kept yet: Enter keeps it, Esc once more drops it."
        )

    def on_input_changed(self) -> None:
        """Take more typing for going on."""
        self._asked_back = False
        self.query_one("#keep", PlainText).show("")

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Answer with what was typed; an empty line only where that is fine."""
        text = event.value.strip()
        if text or self._empty_is_fine:
            self.dismiss(text or " ")


class AskAgain(Question):
    """Which device the next run is on, when it ends one that is still going.

    `stakes` tells what ends; the line offers the id of the device that is in.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "answer('')", "let it run", key_display="Esc"),
        Binding("ctrl+c", "answer('')", "let it run", show=False),
    ]

    def __init__(self, asked: str, device: str, stakes: Callable[[], str]) -> None:
        super().__init__(asked)
        self._device, self._stakes = device, stakes

    def answers(self) -> Iterable[Widget]:
        """Return what is at stake, and the line for the id."""
        yield PlainText(self._stakes(), id="at-stake")
        yield Typed(self._device, max_length=120, placeholder="device id")
        yield PlainText(
            "The same id: measured anew, and this run does not count. "
            "Another id: the next device, and this run stays as it is.",
            classes="hint",
        )

    def on_mount(self) -> None:
        """Let the first key replace the id that is offered."""
        for line in self.query(Input):  # none where it is answered before it is there
            line.select_all()
        self.set_interval(_AGAIN_S, self._say)

    def _say(self) -> None:
        self.query_one("#at-stake", PlainText).show(self._stakes())

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Answer with an id; an empty line is none."""
        if event.value.strip():
            self.dismiss(event.value.strip())


class AskStop(Question, inherit_bindings=False):
    """Whether to end a run for good; the key that asked confirms.

    `saying` tells what is at stake, which goes on growing while the question stands.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("s", "answer('stop')", "stop the run"),
        Binding("escape", "answer('')", "let it run", key_display="Esc"),
        Binding("ctrl+c", "answer('')", "let it run", show=False),
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
