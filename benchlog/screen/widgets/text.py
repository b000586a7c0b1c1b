"""Text on the screen: literal lines, lines with two ends, facts, the large figure."""

from collections.abc import Sequence

from textual.app import RenderResult
from textual.content import Content
from textual.renderables.digits import Digits
from textual.widget import Widget


class PlainText(Widget):
    """Lines of literal text: nothing in it is ever read as markup.

    Its height comes from the stylesheet, so that new text costs a repaint of these
    lines and no new layout of the screen (unless the stylesheet says `auto`).
    """

    DEFAULT_CSS = """
    PlainText { height: 1; width: 1fr; text-wrap: nowrap; text-overflow: ellipsis; }
    """

    def __init__(
        self, text: str = "", *, id: str | None = None, classes: str | None = None
    ) -> None:
        super().__init__(id=id, classes=classes)
        self._shown = Content(text)

    @property
    def text(self) -> str:
        """What stands there, without its styles."""
        return self._shown.plain

    def show(self, text: Content | str) -> bool:
        """Put text there; returns whether that changed anything."""
        content = Content(text) if isinstance(text, str) else text
        if content.is_same(self._shown):
            return False
        self._shown = content
        self.refresh(layout=self.styles.auto_dimensions)
        return True

    def render(self) -> Content:
        """Return what stands there."""
        return self._shown


# --- small pieces of text: a line with two ends, facts with labels, the large figure


class TwoEnds(Widget):
    """A line with something at either end.

    The right end may be said in several ways, the longest first: the first that fits
    beside the left end is shown. Beside the shortest the left end gives way.
    """

    DEFAULT_CSS = "TwoEnds { height: 1; width: 1fr; }"

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._left: Content = Content("")
        self._rights: tuple[Content, ...] = (Content(""),)

    def show(self, left: Content, *rights: Content) -> None:
        """Put text at both ends."""
        before, after = (self._left, *self._rights), (left, *rights)
        same = len(before) == len(after) and all(
            old.is_same(new) for old, new in zip(before, after, strict=True)
        )
        if not same:
            self._left, self._rights = left, rights
            self.refresh()

    def render(self) -> Content:
        """Return the line at the width there is."""
        width = self.content_size.width
        least = self._left.cell_length + 1
        fitting = (r for r in self._rights if least + r.cell_length <= width)
        right = next(fitting, self._rights[-1])
        room = width - right.cell_length
        left = self._left.truncate(max(0, room - 1), ellipsis=True)
        return left + " " * (room - left.cell_length) + right


def cut_between_words(text: Content, cells: int) -> Content:
    """Return text in at most `cells` cells; whole words are left out."""
    if text.cell_length <= cells or cells < 2:
        return text
    kept = text.truncate(cells - 1)
    ends = [kept.plain.rfind(end) for end in (", ", "; ", " (")]
    at = max(ends) if max(ends) > cells // 2 else kept.plain.rfind(" ")
    return kept[:at].rstrip(",;") + " …" if at > 0 else text


class FactLines(PlainText):
    """Lines of a label and what is known under it."""

    def show_facts(self, facts: Sequence[tuple[str, str]], label_cells: int) -> None:
        """Put the facts there, the labels in a column of `label_cells`."""
        lines = [
            Content.assemble((label.ljust(label_cells), "$dim"), said)
            for label, said in facts
        ]
        self.show(Content("\n").join(lines))

    def render(self) -> Content:
        """Return the lines, cut between words where they do not fit: no half number."""
        width = self.content_size.width
        lines = self._shown.split("\n", allow_blank=True)
        return Content("\n").join(cut_between_words(line, width) for line in lines)


class Verdict(Widget):
    """A word as a bar as wide as there is room, with lines under it."""

    DEFAULT_CSS = "Verdict { height: 3; text-wrap: nowrap; text-overflow: ellipsis; }"

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._word, self._style, self._under = "", "", Content("")

    @property
    def text(self) -> str:
        """The word and what stands under it."""
        return f"{self._word}\n{self._under.plain}"

    def show(self, word: str, style: str, under: Content) -> None:
        """Put a word there in a style; nothing at all when it is empty."""
        same = (word, style) == (self._word, self._style)
        if same and under.is_same(self._under):
            return
        self._word, self._style, self._under = word, style, under
        self.refresh()

    def render(self) -> Content:
        """Return the bar and the lines."""
        if not self._word:
            return Content("")
        bar = self._word.center(self.content_size.width)
        return Content.assemble((bar, self._style), "\n", self._under)


class Newest(PlainText):
    """Lines of which the last ones are shown, as many as fit."""

    def render(self) -> Content:
        """Return the last lines that fit."""
        lines = self._shown.split("\n", allow_blank=True)
        return Content("\n").join(lines[-max(1, self.content_size.height) :])


class LargeFigure(Widget):
    """A number three lines high; one line high where it would not fit whole."""

    DEFAULT_CSS = "LargeFigure { height: 3; width: 1; text-style: bold; }"

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._number, self._room = "", 0

    @property
    def text(self) -> str:
        """The number as text."""
        return self._number

    def show(self, number: str, room: int) -> None:
        """Show a number where there are `room` cells for it."""
        if (number, room) == (self._number, self._room):
            return
        self._number, self._room = number, room
        # a width of its own: with `auto`, two changes before one layout lose the second
        self.styles.width = self._cells(number, room)
        self.refresh()

    def render(self) -> RenderResult:
        """Return the number, large if that fits."""
        if self._large(self._number, self._room):
            return Digits(self._number, self.rich_style)
        return Content(f"\n{self._number}")

    @staticmethod
    def _large(number: str, room: int) -> bool:
        return Digits.get_width(number) <= room

    @classmethod
    def _cells(cls, number: str, room: int) -> int:
        return Digits.get_width(number) if cls._large(number, room) else len(number)
