"""A graph on the screen; redrawn only when its picture changes."""

from typing import ClassVar

from benchlog.screen.widgets.graph import Graph, draw
from benchlog.screen.widgets.lines import Lines
from benchlog.screen.widgets.plot import Line


class GraphView(Lines):
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

    ROLES: ClassVar[str] = "graph"

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._graph: Graph | None = None

    def show(self, graph: Graph | None) -> None:
        """Show this graph, or nothing."""
        self._graph = graph
        self.redraw()

    def drawn(self) -> list[Line]:
        """Return the graph's lines, none without one or without room."""
        if self._graph is None or not self.size.area:
            return []
        return draw(self._graph, self.size.width, self.size.height)
