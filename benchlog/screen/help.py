"""Help: the keys of the screen it was asked on, and what the figures mean."""

from collections.abc import Iterable
from typing import ClassVar, Final

from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.screen import Screen
from textual.widget import Widget

from benchlog.screen.base import BenchScreen
from benchlog.screen.screen_host import ScreenHost
from benchlog.screen.widgets.text import PlainText

_FIGURES: Final = (
    (
        "offset",
        "How far the device is from its nominal frequency, in parts per million; "
        "positive runs fast. It is the mean of all readings of the run, corrected for "
        "the counter's time base.",
    ),
    (
        "± U",
        "Expanded uncertainty: the true offset lies within ±U of the figure with 95 % "
        "probability. It combines time base, the counter's resolution and the scatter "
        "of the readings; the figure is rounded to it.",
    ),
    (
        "verdict",
        "✓ PASS: |offset| + U is within the limit. ✗ FAIL: |offset| - U is beyond it. "
        "? UNDECIDED: too near to tell; take more readings, or know the time base "
        "better. A jitter limit of the part counts too.",
    ),
    (
        "conformance",
        "The probability that the device lies within the limit.",
    ),
    (
        "jitter",
        "Scatter of the readings at the gate in use: rms about a straight line, and "
        "peak to peak. Where the frequency moves slowly, the rms holds that too, and "
        "the scatter between neighbours (Allan deviation at the gate) is held against "
        "the part's limit. It is not the period jitter of the signal.",
    ),
    (
        "time base",
        "How well the counter's own clock is known: checked against a reference, "
        "stated in the bench file, or assumed (±1 ppm) because nothing is stated.",
    ),
    (
        "limit",
        "What the data sheet promises at its reference temperature: the tolerance. "
        "Readings taken elsewhere are brought there by a temperature law; only with "
        "--over-temperature tolerance and stability together are the limit.",
    ),
    (
        "gaps",
        "Places between readings where one does not follow the other: pauses, outages. "
        "Nothing is filled in; a pause at the very end is none.",
    ),
    (
        "chart",
        "Offset against time. Every peak is drawn, however long the run. The line "
        "under it is solid where readings follow one another and broken at gaps; "
        "m mark, n note, p pause, ! trouble. Limits are dashed lines.",
    ),
    ("times", "Times of day are this computer's local time."),
)


class HelpScreen(BenchScreen):
    """What can be pressed and what is shown, in plain words."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,question_mark,f1", "back", "back", key_display="Esc"),
        Binding("down", "scroll(1)", "move", key_display="↑↓"),
        Binding("up", "scroll(-1)", "up", show=False),
        Binding("pageup", "scroll(-10)", "page up", show=False),
        Binding("pagedown,space", "scroll(10)", "page down", show=False),
    ]
    app: ScreenHost

    def __init__(self, asked_on: Screen[object]) -> None:
        super().__init__()
        self._keys = keys_in_words(asked_on)

    def content(self) -> Iterable[Widget]:
        """Return the page."""
        keys = [_Entry(*key) for key in self._keys]
        meanings = [_Entry(*pair) for pair in _FIGURES]
        yield VerticalScroll(
            PlainText("Keys", classes="head"),
            *keys,
            PlainText("What the figures mean", classes="head"),
            *meanings,
            can_focus=False,
        )

    def action_scroll(self, lines: int) -> None:
        """Move through the page."""
        self.query_one(VerticalScroll).scroll_relative(y=lines, animate=False)


class _Entry(Horizontal):
    """A word and what is said of it."""

    def __init__(self, word: str, said: str) -> None:
        super().__init__(
            PlainText(word, classes="word"), PlainText(said, classes="meaning")
        )


def keys_in_words(screen: Screen[object]) -> list[tuple[str, str]]:
    """Return all keys of a screen, also those of no use now, and what they do."""
    found: dict[str, str] = {}
    for _, bindings in screen._modal_binding_chain:
        for key, binding in bindings:
            said = binding.tooltip or binding.description
            shown = binding.key_display or key
            if shown not in found and binding.show:
                found[shown] = said
            elif shown in found and said not in found[shown]:
                found[shown] += f"; or {said}"
    return list(found.items())
