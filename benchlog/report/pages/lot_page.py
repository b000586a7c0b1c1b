"""The sections of a lot: decision first, then figures, devices, doubts."""

from collections.abc import Iterator

from benchlog.errors import NotFoundError, UsageError
from benchlog.model import Lot, Part
from benchlog.report.pages.content import (
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
from benchlog.report.pages.hook_up import part_facts
from benchlog.report.plotting import ACCENT, INK, new_figure
from benchlog.store.reader import Reader
from benchlog.units import format_ppm, format_u_ppm, iso_utc
from benchlog.verdict.capability import Interval, at_most
from benchlog.verdict.lotreport import LotReport, lot_report
from benchlog.verdict.lotruns import counts
from benchlog.verdict.sampling import describe_plan
from benchlog.verdict.spread import Histogram

SOURCES = (
    "Sampling: attribute plans after ISO 2859-1. Fraction defective: C. J. Clopper, "
    "E. S. Pearson, Biometrika 26 (1934) 404. Outliers: B. Iglewicz, D. C. Hoaglin, "
    "How to Detect and Handle Outliers (1993).",
)


def known_lot(reader: Reader, name: str, part_id: str | None) -> Lot:
    """Return a lot with a plan by its name. Raises NotFoundError, UsageError."""
    found = [lot for lot in reader.lots(name, part_id) if lot.plan is not None]
    if not found:
        names = [lot.lot for lot in reader.lots() if lot.plan is not None]
        raise NotFoundError("lot with a plan", name, names, "in this database")
    if len(found) > 1:
        parts = ", ".join(lot.part_id for lot in found)
        raise UsageError(f"lots of {parts} are called {name!r}; say which with --part")
    return found[0]


def lot_record(reader: Reader, lot: Lot) -> tuple[LotReport, bool, float]:
    """Return a lot's report, whether it is simulated, and the shared U in ppm."""
    part = reader.part(lot.part_id)
    runs = reader.lot_runs(lot)
    first = reader.run(runs[0].run) if runs else None
    base = first.timebase if first is not None else None
    u_ppm = 2.0 * base.u_ppm if base is not None else 0.0
    simulated = first is not None and first.simulated
    return lot_report(lot, part, runs, u_ppm), simulated, u_ppm


def lot_sections(record: LotReport, simulated: bool, u_ppm: float) -> Iterator[Section]:
    """Yield what a page says of a lot."""
    yield section("Decision", *_decision(record, simulated))
    yield section("Figures of the lot", _figures(record, u_ppm), _histogram(record))
    yield section("Findings", _findings(record), _doubtful(record))
    yield section("Devices", _devices(record), _not_counted(record))
    yield section("Part", _part(record.part))


def _part(part: Part) -> Facts:
    return part_facts(part)


def _decision(record: LotReport, simulated: bool) -> Iterator[Block]:
    standing, lot = record.standing, record.lot
    if simulated:
        yield Notice("Simulated data: nothing here was measured on real devices.")
    word = standing.decision.value
    yield Ruling(word, f"LOT {word.upper()}", (printed(standing.text),))
    yield facts(
        (
            ("Lot", lot.lot),
            ("Part", record.part.id),
            ("Supplier", lot.supplier),
            ("Opened", iso_utc(lot.opened_utc_ns)),
            ("Plan", describe_plan(record.plan)),
            (
                "Devices",
                f"{standing.passed} passed, {standing.failed} failed, "
                f"{standing.undecided} undecided, {standing.remaining} still to be "
                "measured",
            ),
            ("Undecided devices", f"counted as {standing.rule.value}"),
            (
                "Next lot",
                "between Ac and Re: normal inspection again"
                if standing.normal_again
                else "",
            ),
        )
    )


def _figures(record: LotReport, u_ppm: float) -> Facts:
    able, fraction = record.figures.capability, record.figures.fraction
    decided = record.standing.passed + record.standing.failed
    rows: list[tuple[str, object]] = [("Limit", f"+-{record.limit_ppm:,.10g} ppm")]
    if able is not None:
        rows += [
            ("Mean offset", f"{_of(able.mean_ppm, '+')} ppm"),
            ("Standard deviation", f"{_of(able.sd_ppm)} ppm, n = {able.n}"),
            ("Cp", None if able.cp is None else _of(able.cp)),
            ("Cpk", None if able.cpk is None else _of(able.cpk)),
        ]
    if fraction is not None and decided:
        share = Interval(
            *(100 * x for x in (fraction.value, fraction.low, fraction.high))
        )
        most = 100 * at_most(record.standing.failed, decided)
        rows.append(
            ("Fraction defective", f"{_of(share)} %; with 95 % below {most:.3g} %")
        )
    if u_ppm:
        rows.append(
            ("Uncertainty that all share", f"+-{format_u_ppm(u_ppm)} ppm, time base")
        )
    return facts(rows)


def _of(found: Interval, sign: str = "") -> str:
    value, low, high = (f"{x:{sign}.4g}" for x in (found.value, found.low, found.high))
    return f"{value} (95 %: {low} to {high})"


def _histogram(record: LotReport) -> Chart | None:
    found = record.figures.histogram
    if found is None:
        return None
    figure, (axes,) = new_figure(size=(7.2, 3.0))
    axes.stairs(found.counts, found.edges_ppm, fill=True, color=INK, alpha=0.55)
    low, high = found.edges_ppm[0], found.edges_ppm[-1]
    limit = found.limit_ppm
    for side in (-limit, limit):
        axes.axvline(side, color=ACCENT, linestyle="--", linewidth=1.4)
    axes.set(xlabel="offset, ppm", ylabel="devices")
    reach = 1.1 * max(abs(low), abs(high), limit)
    axes.set_xlim(-reach, reach)
    return Chart(
        f"Offsets of the devices; limits of +-{limit:,.10g} ppm dashed",
        _histogram_in_words(found),
        figure,
    )


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


def _findings(record: LotReport) -> Facts:
    found = record.figures
    groups = found.groups
    rows: list[tuple[str, object]] = [
        ("Drift through the session", found.drift.text if found.drift else ""),
        (
            "Two groups",
            ""
            if groups is None
            else f"{groups.low_n} devices about {groups.low_mean_ppm:+.4g} ppm and "
            f"{groups.high_n} about {groups.high_mean_ppm:+.4g} ppm",
        ),
        ("Load capacitance", found.load.text if found.load else ""),
    ]
    rows += [
        (
            "Failures in a row",
            f"{row.length} from device {row.first + 1} on, probability "
            f"{row.probability:.2g} by chance",
        )
        for row in found.failures_in_a_row
    ]
    return facts(rows)


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
    rows = [
        (run.device, run.run, run.ended_how) for run in record.runs if not counts(run)
    ]
    headers = ("Device", "Run", "Ended")
    return table(
        "Runs that do not count: set aside, void or broken off", headers, rows, "lr"
    )
