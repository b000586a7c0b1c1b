"""The sections of a lot: decision first, then figures, devices, doubts."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from benchlog.evaluation.lots import lot_with_runs
from benchlog.model import Lot, Run
from benchlog.pages.common_sections import lot_hook_up, part_facts
from benchlog.pages.content import (
    Block,
    Facts,
    Notice,
    Ruling,
    Section,
    Table,
    facts,
    outside,
    printed,
    section,
    table,
)
from benchlog.pages.lot_charts import devices_chart, histogram_chart
from benchlog.store.reader import Reader
from benchlog.units import format_ppm, format_u_ppm, iso_utc
from benchlog.verdict.lot.lot_report import LotReport
from benchlog.verdict.lot.lot_text import UNDECIDED, lot_facts, lot_findings
from benchlog.verdict.lot.sampling_plan import describe_plan
from benchlog.verdict.timebase.check_validity import VOIDED

SOURCES = (
    "Sampling: attribute plans after ISO 2859-1. Fraction defective: C. J. Clopper, "
    "E. S. Pearson, Biometrika 26 (1934) 404. Outliers: B. Iglewicz, D. C. Hoaglin, "
    "How to Detect and Handle Outliers (1993).",
)


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
    yield section("Decision", *_decision(record, page.simulated), devices_chart(record))
    figures = _told(lot_facts(record))
    yield section("Figures of the lot", figures, histogram_chart(record))
    yield section("Findings", _told(lot_findings(record)), _doubtful(record))
    yield section("Devices", _devices(record), _not_counted(record))
    yield section("Part", part_facts(record.part))
    yield section("Hook-up and instruments", *lot_hook_up(page.runs))


def _decision(record: LotReport, simulated: bool) -> Iterator[Block]:
    standing, lot, planned = record.standing, record.lot, record.plan is not None
    if simulated:
        yield Notice("Simulated data: nothing here was measured on real devices.")
    if doubted := record.doubted_bases:
        yield Notice(_base_notice(record, doubted))
    word = standing.decision.value
    head = f"LOT {word.upper()}" if record.plan else "NO SAMPLING PLAN"
    reasons = (standing.text, *_check_again(record))
    yield Ruling(word if record.plan else "none", head, tuple(map(printed, reasons)))
    yield facts(
        (
            ("Lot", outside(lot.lot)),
            ("Part", record.part.id),
            ("Supplier", outside(lot.supplier)),
            ("Order", outside(lot.order)),
            ("Opened", iso_utc(lot.opened_utc_ns)),
            ("Plan", "; ".join(_plan(record))),
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


def _plan(record: LotReport) -> list[str]:
    return describe_plan(record.plan).splitlines() if record.plan else ["none"]


def _check_again(record: LotReport) -> Iterator[str]:
    """Say beside the decision that devices are to be looked at again."""
    devices = {result.device for result, _ in record.doubtful}
    if devices:
        said = "1 device" if len(devices) == 1 else f"{len(devices):,} devices"
        yield f"{said} of {len(record.results):,} to be checked again: see Findings"


def _base_notice(record: LotReport, doubted: Sequence[int]) -> str:
    """Say of how many devices the time base is in doubt by now."""
    voided = sum(record.base_doubts[run].startswith(VOIDED) for run in doubted)
    said = (
        f"{voided} of {len(record.results)} devices: {VOIDED}"
        if voided
        else f"{len(doubted)} of {len(record.results)} devices: their check is in doubt"
    )
    runs = ", ".join(str(run) for run in doubted)
    return f"{said} (run{'s' * (len(doubted) > 1)} {runs})."


def _told(rows: Iterable[tuple[str, str]]) -> Facts:
    """Return what the terminal tells, word for word."""
    return facts((name[:1].upper() + name[1:], said) for name, said in rows)


def _doubtful(record: LotReport) -> Table:
    rows = [
        (outside(result.device), result.run, why) for result, why in record.doubtful
    ]
    return table("Check again", ("Device", "Run", "Why"), rows, "lr")


def _devices(record: LotReport) -> Table:
    rows = [
        (
            outside(result.device),
            result.run,
            format_ppm(result.offset_ppm, result.u_ppm),
            format_u_ppm(result.u_ppm),
            result.word.value,
            "" if result.ambient_c is None else f"{result.ambient_c:.1f}",
            outside(result.position),
            (iso_utc(result.at_utc_ns) or "")[:19].replace("T", " "),
        )
        for result in record.results
    ]
    headers = ("Device", "Run", "Offset, ppm", "U, ppm", "Verdict", "Ambient, C")
    head = (*headers, "Position", "Measured, UTC")
    return table("Each device, in order of measurement", head, rows, "lrrrlr")


def _not_counted(record: LotReport) -> Table:
    rows = [
        (outside(run.device), run.run, printed(why)) for run, why in record.not_counted
    ]
    headers = ("Device", "Run", "Does not count")
    return table("Runs that do not count", headers, rows, "lr")
