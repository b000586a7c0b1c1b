"""A lot's result as a person reads it: decision, figures, histogram, doubts."""

from collections.abc import Iterator
from typing import Final

from benchlog.cli.printing import pairs, table
from benchlog.units import format_ppm, format_u_ppm, printable
from benchlog.verdict.capability import Interval, at_most
from benchlog.verdict.lot import Decision, UndecidedRule
from benchlog.verdict.lotreport import LotReport
from benchlog.verdict.sampling import describe_plan
from benchlog.verdict.spread import Histogram

_SAID: Final = {
    Decision.ACCEPTED: "✓ LOT ACCEPTED",
    Decision.REJECTED: "✗ LOT REJECTED",
    Decision.OPEN: "? LOT OPEN",
}
_UNDECIDED: Final = {
    UndecidedRule.OPEN: "an undecided device keeps the lot open: measure it again",
    UndecidedRule.DEFECTIVE: "an undecided device counts as defective",
}
_BAR: Final = 22
_MOST_LISTED: Final = 20


def text_of_lot(report: LotReport) -> str:
    """Return the whole result, a few paragraphs."""
    parts = [pairs(_head(report)), pairs(_figures(report)), _histogram(report)]
    parts += [pairs(_findings(report)), _doubtful(report)]
    return "\n\n".join(part for part in parts if part)


def _head(report: LotReport) -> Iterator[tuple[str, str]]:
    lot, standing = report.lot, report.standing
    supplier = f", from {printable(lot.supplier)}" if lot.supplier else ""
    yield "lot", f"{printable(lot.lot)}, {report.part.id}{supplier}"
    yield "plan", describe_plan(report.plan)
    counted = (
        f"{standing.passed} passed, {standing.failed} failed, "
        f"{standing.undecided} undecided, {standing.remaining} still to be measured"
    )
    yield "devices", counted
    yield "decision", f"{_SAID[standing.decision]}\n{standing.text}"
    if standing.normal_again:
        yield "next lot", "between Ac and Re: normal inspection again"
    yield "undecided", _UNDECIDED[standing.rule]
    if any(run.simulated for run in report.runs):
        yield "data", "simulated: nothing here was measured on real devices"


def _figures(report: LotReport) -> Iterator[tuple[str, str]]:
    able, fraction = report.figures.capability, report.figures.fraction
    yield "limit", f"+-{report.limit_ppm:,.10g} ppm"
    if able is not None:
        yield "mean", f"{_of(able.mean_ppm, '+')} ppm"
        yield "scatter", f"{_of(able.sd_ppm)} ppm (standard deviation, n = {able.n})"
        if able.cp is not None and able.cpk is not None:
            yield "Cp", _of(able.cp)
            yield "Cpk", _of(able.cpk)
    if fraction is not None:
        decided = report.standing.passed + report.standing.failed
        most = at_most(report.standing.failed, decided) if decided else 1.0
        share = Interval(
            *(100 * x for x in (fraction.value, fraction.low, fraction.high))
        )
        yield "defective", f"{_of(share)} %; with 95 % below {100 * most:.3g} %"


def _of(found: Interval, sign: str = "") -> str:
    value, low, high = (_four(x, sign) for x in (found.value, found.low, found.high))
    return f"{value} (95 %: {low} to {high})"


def _four(value: float, sign: str = "") -> str:
    """Return four significant digits, large ones whole, small ones not as zero."""
    form = ",.0f" if abs(value) >= 1e4 else ",.4g"
    return f"{value:{sign}{form}}"


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
        span = f"{_four(low, '+'):>10} to {_four(high, '+'):>10} ppm"
        lines.append(f"{span} {count:>5}  {filled}{beyond}".rstrip())
    marks = [i for i, (low, _) in enumerate(edges) if low in (limit, -limit)]
    for count, index in enumerate(marks):
        side = "+" if edges[index][0] > 0 else "-"
        lines.insert(index + count, f"{'limit':>18} {side}{limit:.10g} ppm {'-' * bar}")
    return lines


def _findings(report: LotReport) -> Iterator[tuple[str, str]]:
    figures = report.figures
    if figures.drift is not None:
        yield "session", figures.drift.text
    if figures.groups is not None:
        two = figures.groups
        yield (
            "groups",
            f"it looks like two lots mixed: {two.low_n} devices around "
            f"{two.low_mean_ppm:+.4g} ppm and {two.high_n} around "
            f"{two.high_mean_ppm:+.4g} ppm, apart at {two.split_ppm:+.4g} ppm",
        )
    for row in figures.failures_in_a_row:
        first, last = (
            report.results[row.first],
            report.results[row.first + row.length - 1],
        )
        yield (
            "in a row",
            f"{row.length} devices from {printable(first.device)} to "
            f"{printable(last.device)} did not pass one after the other (by chance "
            f"{row.probability:.2g}): look at the hook-up",
        )
    if figures.load is not None:
        yield "load", figures.load.text


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
