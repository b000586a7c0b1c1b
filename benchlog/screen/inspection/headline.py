"""What a lot's screen shows in large letters: for somebody two metres away."""

from dataclasses import dataclass
from typing import ClassVar, Final

from benchlog.evaluation.verdict_wording import symbol_of
from benchlog.model import Decision, LotRun
from benchlog.plotting.offset_chart import Line
from benchlog.screen.inspection.block_letters import stacked
from benchlog.screen.inspection.places import Places
from benchlog.screen.widgets.charts import Lines
from benchlog.units import format_frequency, format_ppm, printable
from benchlog.verdict.lot.lot_decision import LotResult
from benchlog.verdict.lot.lot_report import LotReport


@dataclass(frozen=True, slots=True)
class LargeLine:
    """A line in large letters and its role: a verdict's word, or `plain`."""

    text: str
    role: str = "plain"


_OF_LOT: Final = {LotResult.ACCEPTED: "pass", LotResult.REJECTED: "fail"}
_NO_WORD: Final = "-"


def headline(
    report: LotReport, places: Places, last: LotRun | None
) -> tuple[LargeLine, ...]:
    """Return the lines, the one that matters most first; pure.

    First the lot's decision once it has fallen, then the verdict of `last`, its id and
    its offset. While a device is measured there is no verdict, and none of the device
    before; what is asked about a device takes the place of its verdict.
    """
    held = report.held
    if held:
        return _held(report, held[0])
    decided = report.standing.decision
    lot = [
        LargeLine(f"{symbol_of(decided)} LOT {decided.upper()}", role)
        for result, role in _OF_LOT.items()
        if result is decided
    ]
    if places.spot.run is not None:
        name = next((r.device for r in report.runs if r.run == places.spot.run), "")
        return (
            *lot,
            LargeLine("MEASURING" if report.plan else "TRIMMING"),
            LargeLine(printable(name)),
        )
    if last is None:
        return tuple(lot)
    code = report.codes.get(last.run)
    named = printable(last.device)
    device = LargeLine(named if code is None else f"{named}: {code}")
    if not last.counts:
        return (*lot, LargeLine(f"{_NO_WORD} DOES NOT COUNT"), device)
    word = report.word_of(last)
    verdict, role = f"{symbol_of(word)} {word.upper()}", str(word)
    value = "damaged" if last.damaged else _offset(last)
    if lot:  # the decision takes a line, so verdict and offset share one
        return (*lot, LargeLine(f"{verdict} {value}", role), device)
    return (LargeLine(verdict, role), device, LargeLine(value))


def _held(report: LotReport, run: LotRun) -> tuple[LargeLine, ...]:
    asked = LargeLine(f"{symbol_of(Decision.UNDECIDED)} OTHER PART", "asked")
    device = LargeLine(printable(run.device))
    if run.offset_ppm is None:
        return asked, device
    hz = report.part.nominal_hz * (1.0 + run.offset_ppm * 1e-6)
    return asked, device, LargeLine(format_frequency(float(f"{hz:.4g}")))


def _offset(run: LotRun) -> str:
    if run.offset_ppm is None:
        return ""
    return f"{format_ppm(run.offset_ppm, run.u_ppm)} ppm"


class Headline(Lines):
    """The headline in letters as large as there is room for."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        f"headline--{role}" for role in ("plain", "asked", "pass", "fail", "undecided")
    }
    ROLES: ClassVar[str] = "headline"

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.shown: tuple[LargeLine, ...] = ()

    def show(self, lines: tuple[LargeLine, ...]) -> None:
        """Show these lines."""
        if lines != self.shown:
            self.shown = lines
            self.redraw()

    def drawn(self) -> list[Line] | None:
        """Return the lines of cells; what does not fit in large letters is left out."""
        if not self.size.area:
            return None
        texts = [line.text for line in self.shown]
        blocks = stacked(texts, self.size.width, self.size.height)
        if self.shown and not any(blocks):  # no room for any: small beats nothing
            blocks[0] = [texts[0][: self.size.width]]
        return [
            ((cells.ljust(self.size.width), line.role),)
            for line, block in zip(self.shown, blocks, strict=True)
            for cells in block
        ]
