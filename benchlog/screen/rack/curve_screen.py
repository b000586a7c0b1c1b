"""One device of a rack: its characteristic as it grows, over what was found."""

from collections.abc import Iterable
from typing import ClassVar, Final, Protocol

from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widget import Widget

from benchlog.evaluation.rack.timeline import device_curves
from benchlog.evaluation.rack.wording import HEADS, line_cells
from benchlog.evaluation.rack_study import Qualification, QualifiedDevice
from benchlog.plotting.printed_chart import ChartShape, lettered_chart
from benchlog.screen.base import BenchScreen
from benchlog.screen.screen_host import ScreenHost
from benchlog.screen.widgets.text import PlainText, TwoEnds
from benchlog.units import printable
from benchlog.verdict.rack.curves import Curve

_LOOK_S: Final = 1.0
_MARKS: Final = {1: "^", -1: "v", 0: "o"}


class RackAbove(Protocol):
    """The screen that this one lies over: what it knows of the rack by now."""

    found: Qualification | None


class CurveScreen(BenchScreen):
    """The curves of one device, one at a time."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "tab",
            "other",
            "next curve",
            key_display="Tab",
            tooltip="against another drive, or against time",
        ),
        Binding("escape", "back", "back", key_display="Esc"),
    ]
    app: ScreenHost

    def __init__(self, rack: "RackAbove", run_id: int) -> None:
        super().__init__()
        self._rack, self._run_id = rack, run_id
        self._shown = 0

    def content(self) -> Iterable[Widget]:
        """Return the head, the picture and the lines that were found."""
        yield TwoEnds(id="curve-head")
        yield PlainText(id="curve")
        yield PlainText(id="curve-found")

    def on_mount(self) -> None:
        """Follow what the screen underneath works out."""
        self.call_after_refresh(self._show)
        self.set_interval(_LOOK_S, self._show)

    def on_resize(self) -> None:
        """Use the room there is now."""
        self.call_after_refresh(self._show)

    def action_other(self) -> None:
        """Show the next curve."""
        self._shown += 1
        self._show()

    def _show(self) -> None:
        found = self._rack.found
        if found is None or not self.has_widgets:
            return
        one = next(one for one in found.devices if one.run.id == self._run_id)
        who = Content.assemble(
            ("position ", "$dim"),
            (printable(one.run.position), "bold"),
            ("  device ", "$dim"),
            (printable(one.run.device), "bold"),
            (f"  run {one.run.id}", "$dim"),
        )
        self.query_one("#curve-head", TwoEnds).show(who, Content(one.verdict.upper()))
        width, height = self.size
        room = height - len(one.found) - 7
        picture = self._picture(found, one, width, room)
        self.query_one("#curve", PlainText).show(picture)
        self.query_one("#curve-found", PlainText).show(found_text(one, width))

    def _picture(
        self, found: Qualification, one: QualifiedDevice, width: int, room: int
    ) -> str:
        drawn = device_curves(found.plan, one)
        if not drawn:
            return "No curve yet: it takes settled points at two places."
        return curve_text(drawn[self._shown % len(drawn)], width - 14, max(4, room))


def curve_text(curve: Curve, width: int, height: int) -> str:
    """Return a curve in characters: ^ rising, v falling, o neither, ! in a dip."""
    marks = []
    for at, ppm, way in zip(curve.at, curve.ppm, curve.way, strict=True):
        in_dip = any(abs(at - dip.at_c) <= dip.width_c for dip in curve.dips)
        mark = "!" if in_dip else _MARKS[int(way)]
        marks.append((float(at), float(ppm), mark))
    shape = ChartShape(width=width, height=height, x_unit=curve.unit)
    what = "change" if curve.relative else "offset"
    signs = "   ^ rising  v falling" if any(curve.way) else ""
    dips = "  ! activity dip" if curve.dips else ""
    head = f"{what} in ppm against {curve.along}{signs}{dips}"
    return f"{head}\n{lettered_chart(marks, shape)}"


def found_text(one: QualifiedDevice, width: int) -> str:
    """Return what was found so far under a head, no line wider than the screen."""
    if not one.found:
        return ""
    rows = [HEADS, *(line_cells(line) for line in one.found)]
    widths = [max((len(row[k]) for row in rows), default=0) for k in range(4)]
    lines = []
    for name, value, u, limit, said in rows:
        cells = (
            name.ljust(widths[0]),
            value.rjust(widths[1]),
            u.rjust(widths[2]),
            limit.rjust(widths[3]),
            said,
        )
        line = printable("  ".join(cells).rstrip())
        lines.append(line if len(line) <= width else f"{line[: width - 1]}…")
    return "\n".join(lines)
