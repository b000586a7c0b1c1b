"""The sections of a lot: decision first, then figures, devices, doubts."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from benchlog.errors import NotFoundError
from benchlog.evaluation.lots import lot_names, lot_with_runs, named_lot
from benchlog.model import Lot, Run
from benchlog.pages.common_sections import lot_hook_up, part_facts
from benchlog.pages.content import (
    Block,
    Chart,
    Facts,
    Notice,
    Ruling,
    Section,
    Table,
    facts,
    printed,
    section,
    table,
)
from benchlog.plotting.pictures import (
    ACCENT,
    FAINT,
    INK,
    new_figure,
)
from benchlog.store.reader import Reader
from benchlog.units import format_ppm, format_u_ppm, iso_utc
from benchlog.verdict.lot.lot_report import LotReport
from benchlog.verdict.lot.lot_spread import Histogram
from benchlog.verdict.lot.lot_text import UNDECIDED, lot_facts, lot_findings
from benchlog.verdict.lot.sampling_plan import describe_plan

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_NARROW: Final = 0.25
"""Share of the picture that the devices must fill to be seen."""
SOURCES = (
    "Sampling: attribute plans after ISO 2859-1. Fraction defective: C. J. Clopper, "
    "E. S. Pearson, Biometrika 26 (1934) 404. Outliers: B. Iglewicz, D. C. Hoaglin, "
    "How to Detect and Handle Outliers (1993).",
)


def known_lot(reader: Reader, name: str, part_id: str | None) -> Lot:
    """Return a lot by its name. Raises NotFoundError, UsageError."""
    found = named_lot(reader, name, part_id)
    if found is None:
        hint = "(`benchlog lots` lists them)"
        raise NotFoundError("lot", name, lot_names(reader), hint)
    return found


@dataclass(frozen=True, slots=True)
class LotPage:
    """What a page of a lot rests on: the report, and its runs as they were begun."""

    report: LotReport
    runs: tuple[Run, ...]

    @property
    def simulated(self) -> bool:
        """Whether any of it is simulated."""
        return any(run.simulated for run in self.runs)


def lot_record(reader: Reader, lot: Lot) -> LotPage:
    """Return what a page says of a lot."""
    return LotPage(*lot_with_runs(reader, lot))


def lot_sections(page: LotPage) -> Iterator[Section]:
    """Yield what a page says of a lot."""
    record = page.report
    yield section("Decision", *_decision(record, page.simulated))
    figures = _told(lot_facts(record))
    yield section("Figures of the lot", figures, _histogram(record))
    yield section("Findings", _told(lot_findings(record)), _doubtful(record))
    yield section("Devices", _devices(record), _not_counted(record))
    yield section("Part", part_facts(record.part))
    yield section("Hook-up and instruments", *lot_hook_up(page.runs))


def _decision(record: LotReport, simulated: bool) -> Iterator[Block]:
    standing, lot, planned = record.standing, record.lot, record.plan is not None
    if simulated:
        yield Notice("Simulated data: nothing here was measured on real devices.")
    word = standing.decision.value
    head = f"LOT {word.upper()}" if record.plan else "NO SAMPLING PLAN"
    yield Ruling(word if record.plan else "none", head, (printed(standing.text),))
    yield facts(
        (
            ("Lot", lot.lot),
            ("Part", record.part.id),
            ("Supplier", lot.supplier),
            ("Opened", iso_utc(lot.opened_utc_ns)),
            ("Plan", describe_plan(record.plan) if record.plan else "none"),
            (
                "Devices",
                f"{standing.passed} passed, {standing.failed} failed, "
                f"{standing.undecided} undecided"
                + (f", {standing.remaining} still to be measured" if planned else ""),
            ),
            ("Undecided devices", UNDECIDED[standing.rule] if planned else ""),
            (
                "Next lot",
                "between Ac and Re: normal inspection again"
                if standing.normal_again
                else "",
            ),
        )
    )


def _histogram(record: LotReport) -> Chart | None:
    """Draw the devices' offsets; where they fill little of the limits, twice."""
    found = record.figures.histogram
    if found is None:
        return None
    low, high = found.edges_ppm[0], found.edges_ppm[-1]
    limit = found.limit_ppm
    reach = 1.1 * max(abs(low), abs(high), limit)
    is_narrow = high - low < _NARROW * 2 * reach
    figure, axes = (
        new_figure(2, size=(7.2, 4.0), heights=(3, 1))
        if is_narrow
        else new_figure(size=(7.2, 3.0))
    )
    _bars(axes[0], found, limit)
    axes[0].set(xlabel="offset, ppm", ylabel="devices")
    if is_narrow:
        axes[0].set_xlim(low, high)
        marks = [one.offset_ppm for one in record.results if one.offset_ppm is not None]
        axes[1].plot(marks, [0.0] * len(marks), "|", color=INK, markersize=16)
        axes[1].axvspan(-limit, limit, color=FAINT, alpha=0.18, linewidth=0)
        axes[1].set(yticks=[], xlabel="the same, between the limits, ppm")
        _limits(axes[1], limit)
    axes[-1].set_xlim(-reach, reach)
    below = "; below, where they lie between the limits" if is_narrow else ""
    return Chart(
        f"Offsets of the devices{below}; limits of +-{limit:,.10g} ppm dashed",
        _histogram_in_words(found),
        figure,
    )


def _bars(axes: "Axes", found: Histogram, limit_ppm: float) -> None:
    from matplotlib.ticker import MaxNLocator  # noqa: PLC0415 - heavy

    axes.stairs(found.counts, found.edges_ppm, fill=True, color=INK, alpha=0.55)
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    _limits(axes, limit_ppm)


def _limits(axes: "Axes", limit_ppm: float) -> None:
    for side in (-limit_ppm, limit_ppm):
        axes.axvline(side, color=ACCENT, linestyle="--", linewidth=1.4)


def _histogram_in_words(found: Histogram) -> str:
    low, high = found.edges_ppm[0], found.edges_ppm[-1]
    outside = sum(
        count
        for count, begin, end in zip(
            found.counts, found.edges_ppm, found.edges_ppm[1:], strict=False
        )
        if end <= -found.limit_ppm or begin >= found.limit_ppm
    )
    return (
        f"Histogram of {sum(found.counts)} devices from {low:.4g} to {high:.4g} ppm; "
        f"{outside} in bins beyond the limits of plus and minus "
        f"{found.limit_ppm:,.10g} ppm."
    )


def _told(rows: Iterable[tuple[str, str]]) -> Facts:
    """Return what the terminal tells, word for word."""
    return facts((name[:1].upper() + name[1:], said) for name, said in rows)


def _doubtful(record: LotReport) -> Table:
    rows = [(result.device, result.run, why) for result, why in record.doubtful]
    return table("To be looked at again", ("Device", "Run", "Why"), rows, "lr")


def _devices(record: LotReport) -> Table:
    rows = [
        (
            result.device,
            result.run,
            format_ppm(result.offset_ppm, result.u_ppm),
            format_u_ppm(result.u_ppm),
            result.word.value,
            "" if result.ambient_c is None else f"{result.ambient_c:.1f}",
            result.position,
            (iso_utc(result.at_utc_ns) or "")[:19].replace("T", " "),
        )
        for result in record.results
    ]
    headers = ("Device", "Run", "Offset, ppm", "U, ppm", "Verdict", "Ambient, C")
    head = (*headers, "Position", "Measured, UTC")
    return table("Each device, in order of measurement", head, rows, "lrrrlr")


def _not_counted(record: LotReport) -> Table:
    rows = [(run.device, run.run, printed(why)) for run, why in record.not_counted]
    headers = ("Device", "Run", "Does not count")
    return table("Runs that do not count", headers, rows, "lr")
