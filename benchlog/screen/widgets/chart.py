"""The chart of offset against time; redrawn only when its picture changes."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import ClassVar, Final, Protocol

from benchlog.screen.trace import Spans
from benchlog.screen.widgets.lines import Lines
from benchlog.screen.widgets.plot import Line, Scene, draw, usual_scale
from benchlog.screen.widgets.ticks import round_end_s

WINDOWS: Final[tuple[tuple[str, float | None], ...]] = (
    ("whole run", None),
    ("last hour", 3600.0),
    ("last 10 min", 600.0),
    ("last minute", 60.0),
)
_EMPTY_S: Final = 10.0


class Source(Protocol):
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


class Chart(Lines):
    """Offset against time in braille, with limits, gaps and marks."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "chart--trace",
        "chart--limit",
        "chart--label",
        "chart--axis",
        "chart--title",
    }
    DEFAULT_CSS = """
    Chart { height: 1fr; width: 1fr; min-height: 5; }
    Chart > .chart--trace { color: $trace; }
    Chart > .chart--limit { color: $limit; }
    Chart > .chart--label { color: $dim; }
    Chart > .chart--axis { color: $dim; }
    Chart > .chart--title { color: $dim; }
    """

    ROLES: ClassVar[str] = "chart"

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._source: Source | None = None
        self._shown = Shown()
        self._chosen = ""
        self._scale = "limits"
        self._window = 0

    def look_at(self, source: Source, shown: Shown) -> None:
        """Show this, as it is now."""
        self._source, self._shown = source, shown
        self.redraw()

    def other_scale(self) -> None:
        """Change between fitting the data and showing the limits; then keep it."""
        self._chosen = "data" if self._scale == "limits" else "limits"
        self.redraw()

    def next_window(self) -> None:
        """Go on to the next stretch of time, after the last back to the whole run."""
        self._window = (self._window + 1) % len(WINDOWS)
        self.redraw()

    def drawn(self) -> list[Line] | None:
        """Return the picture, None while there is nothing to draw or no room."""
        if self._source is None or not self.size.area:
            return None
        return draw(self._scene(self._source), self.size.width, self.size.height)

    def _scene(self, source: Source) -> Scene:
        shown = self._shown
        name, length_s = WINDOWS[self._window]
        end_s = shown.end_s or _EMPTY_S
        begin_s = 0.0 if length_s is None else max(0.0, end_s - length_s)
        if begin_s == 0.0 and shown.live:
            end_s = round_end_s(end_s)
        spans = source.spans(begin_s, end_s)
        self._scale = self._chosen or usual_scale(spans, shown.limit_ppm, self._scale)
        return Scene(
            spans, begin_s, end_s, shown.limit_ppm, shown.marks, self._scale, name
        )
