"""A graph on the screen; redrawn only when its picture changes."""

from typing import ClassVar

from rich.segment import Segment
from textual.strip import Strip
from textual.widget import Widget

from benchlog.screen.widgets.graph import Graph, draw
from benchlog.screen.widgets.plot import Line


class GraphView(Widget):
    """Shows a graph in the room there is."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "graph--trace",
        "graph--law",
        "graph--bar",
        "graph--label",
        "graph--axis",
        "graph--title",
    }
    DEFAULT_CSS = """
    GraphView { height: 1fr; width: 1fr; min-height: 5; }
    GraphView > .graph--trace { color: $trace; }
    GraphView > .graph--law { color: $limit; }
    GraphView > .graph--bar { color: $dim; }
    GraphView > .graph--label { color: $dim; }
    GraphView > .graph--axis { color: $dim; }
    GraphView > .graph--title { color: $dim; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._graph: Graph | None = None
        self._lines: list[Line] = []

    def show(self, graph: Graph | None) -> None:
        """Show this graph, or nothing."""
        self._graph = graph
        self._redraw()

    @property
    def text(self) -> str:
        """The picture without its colours."""
        return "\n".join("".join(text for text, _ in line) for line in self._lines)

    def on_resize(self) -> None:
        """Use the room there is now."""
        self._redraw()

    def render_line(self, y: int) -> Strip:
        """Return one line of the picture."""
        if y >= len(self._lines):
            return Strip.blank(self.size.width, self.rich_style)
        return Strip(
            [
                Segment(text, self.get_component_rich_style(f"graph--{role}"))
                for text, role in self._lines[y]
            ],
            self.size.width,
        )

    def _redraw(self) -> None:
        lines: list[Line] = []
        if self._graph is not None and self.size.area:
            lines = draw(self._graph, self.size.width, self.size.height)
        if lines != self._lines:
            self._lines = lines
            self.refresh()
