"""A lot's result as a person reads it: decision, figures, histogram, doubts."""

from collections.abc import Iterator
from typing import Final

from benchlog.cli.printing import pairs, table
from benchlog.evaluation.verdict_wording import symbol_of
from benchlog.units import (
    as_stated,
    format_ppm,
    format_u_ppm,
    printable,
)
from benchlog.verdict.lot.lot_report import LotReport
from benchlog.verdict.lot.lot_spread import Histogram
from benchlog.verdict.lot.lot_text import (
    UNDECIDED,
    lot_facts,
    lot_findings,
)
from benchlog.verdict.lot.sampling_plan import describe_plan

_BAR: Final = 22
_MOST_LISTED: Final = 20


def text_of_lot(report: LotReport) -> str:
    """Return the whole result, a few paragraphs."""
    parts = [pairs(_head(report)), pairs(lot_facts(report)), _histogram(report)]
    parts += [pairs(lot_findings(report)), _doubtful(report)]
    return "\n\n".join(part for part in parts if part)


def _head(report: LotReport) -> Iterator[tuple[str, str]]:
    lot, standing = report.lot, report.standing
    supplier = f", from {printable(lot.supplier)}" if lot.supplier else ""
    order = f", order {printable(lot.order)}" if lot.order else ""
    yield "lot", f"{printable(lot.lot)}, {report.part.id}{supplier}{order}"
    yield "plan", describe_plan(report.plan) if report.plan else "none"
    counted = (
        f"{standing.passed} passed, {standing.failed} failed, "
        f"{standing.undecided} undecided, {standing.remaining} still to be measured"
    )
    yield "devices", counted
    decided = f"{symbol_of(standing.decision)} LOT {standing.decision.upper()}"
    yield "decision", f"{decided}\n{standing.text}"
    if standing.normal_again:
        yield "next lot", "between Ac and Re: normal inspection again"
    yield "undecided", UNDECIDED[standing.rule]
    if any(run.simulated for run in report.runs):
        yield "data", "simulated: nothing here was measured on real devices"


def _histogram(report: LotReport) -> str:
    found = report.figures.histogram
    return "" if found is None else "\n".join(histogram_lines(found))


def histogram_lines(found: Histogram, bar: int = _BAR) -> list[str]:
    """Return the histogram with its limits as lines of text, the lowest bin first."""
    most = max(found.counts) or 1
    limit, lines = found.limit_ppm, []
    edges = list(zip(found.edges_ppm, found.edges_ppm[1:], strict=False))
    for (low, high), count in zip(edges, found.counts, strict=True):
        filled = "█" * max(round(bar * count / most), 1 if count else 0)
        beyond = " beyond limit" if low >= limit or high <= -limit else ""
        span = (
            f"{format_ppm(low, high - low):>10} to "
            f"{format_ppm(high, high - low):>10} ppm"
        )
        lines.append(f"{span} {count:>5}  {filled}{beyond}".rstrip())
    marks = [i for i, (low, _) in enumerate(edges) if low in (limit, -limit)]
    for count, index in enumerate(marks):
        side = "+" if edges[index][0] > 0 else "-"
        lines.insert(
            index + count, f"{'limit':>18} {side}{as_stated(limit)} ppm {'-' * bar}"
        )
    return lines


def _doubtful(report: LotReport) -> str:
    doubtful = report.doubtful
    rows = [
        (
            one.device,
            str(one.run),
            str(one.word),
            format_ppm(one.offset_ppm, one.u_ppm),
            format_u_ppm(one.u_ppm),
            why,
        )
        for one, why in doubtful[:_MOST_LISTED]
    ]
    failed = [one for one in report.results if one.word == "fail"]
    said = []
    if rows:
        said.append(table(("doubtful", "run", "", "ppm", "U", "why"), rows, "lrlrr"))
    if len(doubtful) > _MOST_LISTED:
        said.append(f"and {len(doubtful) - _MOST_LISTED} more; --json lists all")
    if failed:
        names = ", ".join(printable(one.device) for one in failed[:_MOST_LISTED])
        more = ", ..." if len(failed) > _MOST_LISTED else ""
        said.append(f"failed: {names}{more}")
    return "\n".join(said)
