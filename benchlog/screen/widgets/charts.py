"""Charts on the screen, redrawn only when their picture changes."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import ClassVar, Final, Protocol

from rich.segment import Segment
from textual.strip import Strip
from textual.widget import Widget

from benchlog.plotting.axis_ticks import round_end_s
from benchlog.plotting.graph import Graph, draw_graph
from benchlog.plotting.offset_chart import (
    Line,
    Scene,
    draw_offsets,
    usual_scale,
)
from benchlog.plotting.offset_trace import Spans


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


# --- the chart of offset against time; redrawn only when its picture changes

WINDOWS: Final[tuple[tuple[str, float | None], ...]] = (
    ("whole run", None),
    ("last hour", 3600.0),
    ("last 10 min", 600.0),
    ("last minute", 60.0),
)
_EMPTY_S: Final = 10.0


class ChartSource(Protocol):
    """Where a chart gets its data from."""

    def spans(self, begin_s: float, end_s: float) -> Spans:
        """Return the trace between two moments."""
        ...


@dataclass(frozen=True, slots=True)
class Shown:
    """What a chart is to show besides the trace itself."""

    end_s: float = 0.0
    live: bool = False
    limit_ppm: float | None = None
    marks: Sequence[tuple[float, str]] = field(default=())


class OffsetChart(Lines):
    """Offset against time in braille, with limits, gaps and marks."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "chart--trace",
        "chart--limit",
        "chart--label",
        "chart--axis",
        "chart--title",
    }
    DEFAULT_CSS = """
    ChartShape { height: 1fr; width: 1fr; min-height: 5; }
    ChartShape > .chart--trace { color: $trace; }
    ChartShape > .chart--limit { color: $limit; }
    ChartShape > .chart--label { color: $dim; }
    ChartShape > .chart--axis { color: $dim; }
    ChartShape > .chart--title { color: $dim; }
    """

    ROLES: ClassVar[str] = "chart"

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._source: ChartSource | None = None
        self._shown = Shown()
        self._chosen = ""
        self._scale = "limits"
        self._window = 0

    def look_at(self, source: ChartSource, shown: Shown) -> None:
        """Show this, as it is now."""
        self._source, self._shown = source, shown
        self.redraw()

    def next_of(self, what: str) -> str | int | None:
        """Return the scale or the window (its number) that comes after this one."""
        if what == "window":
            return (self._window + 1) % len(WINDOWS)
        if self._shown.limit_ppm is None:
            return None  # there is nothing but the data
        return "data" if self._scale == "limits" else "limits"

    def choose_scale(self, scale: str) -> None:
        """Fit the `data` or show the `limits`, and keep to it."""
        self._chosen = scale
        self.redraw()

    def choose_window(self, number: int) -> None:
        """Show one of `WINDOWS`."""
        self._window = number
        self.redraw()

    def drawn(self) -> list[Line] | None:
        """Return the picture, None while there is nothing to draw or no room."""
        if self._source is None or not self.size.area:
            return None
        return draw_offsets(
            self._scene(self._source), self.size.width, self.size.height
        )

    def _scene(self, source: ChartSource) -> Scene:
        shown = self._shown
        name, length_s = WINDOWS[self._window]
        end_s = shown.end_s or _EMPTY_S
        begin_s = 0.0 if length_s is None else max(0.0, end_s - length_s)
        if begin_s == 0.0 and shown.live:
            end_s = round_end_s(end_s)
        spans = source.spans(begin_s, end_s)
        self._scale = self._chosen or usual_scale(spans, shown.limit_ppm, self._scale)
        return Scene(
            spans=spans,
            begin_s=begin_s,
            end_s=end_s,
            limit_ppm=shown.limit_ppm,
            marks=shown.marks,
            scale=self._scale,
            window=name,
        )


# --- a graph on the screen; redrawn only when its picture changes


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
        return draw_graph(self._graph, self.size.width, self.size.height)
