"""A lot's figures and findings in a person's words: for the terminal and for pages."""

from collections.abc import Iterator
from typing import Final

from benchlog.units import format_ppm, format_u_ppm, printable
from benchlog.verdict.lot.capability import FEWEST_FOR_CAPABILITY, Interval, at_most
from benchlog.verdict.lot.lot_decision import LotFigures, UndecidedRule
from benchlog.verdict.lot.lot_report import LotReport

UNDECIDED: Final = {
    UndecidedRule.OPEN: "an undecided device keeps the lot open: measure it again",
    UndecidedRule.DEFECTIVE: "an undecided device counts as defective",
}


def lot_facts(report: LotReport) -> Iterator[tuple[str, str]]:
    """Yield label and text of each figure of a lot."""
    able = report.figures.capability
    yield "limit", f"+-{report.limit_ppm:,.10g} ppm"
    if able is not None:
        yield "mean", f"{_mean(able.mean_ppm)}{_shared(report)}"
        yield (
            "scatter",
            f"{interval_text(able.sd_ppm)} ppm (standard deviation, n = {able.n})",
        )
        if able.cp is not None and able.cpk is not None:
            yield "Cp", interval_text(able.cp)
            yield "Cpk", interval_text(able.cpk)
        elif able.n < FEWEST_FOR_CAPABILITY:
            yield (
                "Cp, Cpk",
                f"not stated from {able.n} devices: fewer than "
                f"{FEWEST_FOR_CAPABILITY} say too little",
            )
    yield from _defective(report)


def _mean(found: Interval) -> str:
    half = found.half or None
    value, *ends = (format_ppm(x, half) for x in (found.value, found.low, found.high))
    return f"{value} ppm (95 %: {' to '.join(ends)})"


def _shared(report: LotReport) -> str:
    if not report.u_common_ppm:
        return ""
    shared = format_u_ppm(report.u_common_ppm)
    return f"; the time base's +-{shared} ppm, which all share, is in it"


def _defective(report: LotReport) -> Iterator[tuple[str, str]]:
    found = report.figures.fraction
    decided = report.standing.passed + report.standing.failed
    if found is None or not decided:
        return
    most = 100 * at_most(report.standing.failed, decided)
    share = Interval(*(100 * x for x in (found.value, found.low, found.high)))
    yield "defective", f"{interval_text(share)} %; with 95 % below {most:.3g} %"


def interval_text(found: Interval) -> str:
    """Return an estimate with its interval, four significant digits each."""
    value, low, high = (four(x) for x in (found.value, found.low, found.high))
    return f"{value} (95 %: {low} to {high})"


def four(value: float, sign: str = "") -> str:
    """Return four significant digits, large ones whole, small ones not as zero."""
    form = ",.0f" if abs(value) >= 1e4 else ",.4g"
    return f"{value:{sign}{form}}"


def lot_findings(report: LotReport) -> Iterator[tuple[str, str]]:
    """Yield label and text of what a person should look at in a lot."""
    figures = report.figures
    for run in report.held:
        yield (
            "held",
            f"{printable(run.device)} (run {run.run}) {printable(run.held)} It does "
            f"not count until that is answered on the screen of `benchlog inspect "
            f"--lot {printable(report.lot.lot)}`",
        )
    if figures.drift is not None:
        yield "session", figures.drift.text
    if figures.groups is not None:
        yield "groups", _groups(figures)
    if figures.apart is not None:
        yield "positions", figures.apart.text
    for row in figures.failures_in_a_row:
        first = report.results[row.first].device
        last = report.results[row.first + row.length - 1].device
        yield (
            "in a row",
            f"{row.length} devices from {printable(first)} to {printable(last)} did "
            f"not pass one after the other (by chance {row.probability:.2g}): look at "
            "the hook-up",
        )
    if figures.load is not None:
        yield "load", figures.load.text


def _groups(figures: LotFigures) -> str:
    two, apart = figures.groups, figures.apart
    assert two is not None
    said = (
        f"{two.low_n} devices around {two.low_mean_ppm:+.4g} ppm and {two.high_n} "
        f"around {two.high_mean_ppm:+.4g} ppm, apart at {two.split_ppm:+.4g} ppm"
    )
    if apart is not None and apart.explains(two.split_ppm):
        return f"two groups, which the positions explain: {said}"
    return f"it looks like two lots mixed: {said}"
