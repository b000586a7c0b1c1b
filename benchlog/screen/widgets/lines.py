"""A widget made of lines of coloured text, redrawn only when they change."""

from typing import ClassVar

from rich.segment import Segment
from textual.strip import Strip
from textual.widget import Widget

from benchlog.screen.widgets.plot import Line


class Lines(Widget):
    """Shows what `drawn` returns for the room there is.

    A role `x` in a line has the style of the component class `ROLES--x`.
    """

    ROLES: ClassVar[str]

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._lines: list[Line] = []

    def drawn(self) -> list[Line] | None:
        """Return the lines; None leaves what is there."""
        raise NotImplementedError

    @property
    def text(self) -> str:
        """The picture without its colours."""
        return "\n".join("".join(text for text, _ in line) for line in self._lines)

    def on_resize(self) -> None:
        """Use the room there is now."""
        self.redraw()

    def render_line(self, y: int) -> Strip:
        """Return one line of the picture."""
        if y >= len(self._lines):
            return Strip.blank(self.size.width, self.rich_style)
        return Strip(
            [
                Segment(text, self.get_component_rich_style(f"{self.ROLES}--{role}"))
                for text, role in self._lines[y]
            ],
            self.size.width,
        )

    def redraw(self) -> None:
        """Draw anew; the screen is touched only when something changed."""
        lines = self.drawn()
        if lines is not None and lines != self._lines:
            self._lines = lines
            self.refresh()
