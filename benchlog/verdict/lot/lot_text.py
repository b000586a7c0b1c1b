"""A lot's figures and findings in a person's words: for the terminal and for pages."""

from collections.abc import Iterator
from typing import Final

from benchlog.units import (
    as_stated,
    format_u_ppm,
    interval_texts,
    printable,
    signed_digits,
    three_digits,
    two_digits,
)
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
    yield "limit", f"+-{as_stated(report.limit_ppm)} ppm"
    if able is not None:
        yield "mean", f"{_mean(able.mean_ppm)}{_shared(report)}"
        yield (
            "scatter",
            f"{interval_text(able.sd_ppm, 'ppm')}; standard deviation, n = {able.n}",
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
    value, *ends = interval_texts(found.value, found.low, found.high)
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
    yield (
        "defective",
        f"{interval_text(share, '%')}; with 95 % below {three_digits(most)} %",
    )


def interval_text(found: Interval, unit: str = "") -> str:
    """Return an estimate that cannot be negative with its unit and its interval."""
    value, *ends = interval_texts(found.value, found.low, found.high, signed=False)
    after = f" {unit}" if unit else ""
    return f"{value}{after} (95 %: {' to '.join(ends)}{after})"


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
            "not pass one after the other (by chance "
            f"{two_digits(row.probability)}): look at "
            "the hook-up",
        )
    if figures.load is not None:
        yield "load", figures.load.text


def _groups(figures: LotFigures) -> str:
    two, apart = figures.groups, figures.apart
    assert two is not None
    said = (
        f"{two.low_n} devices around {signed_digits(two.low_mean_ppm)} ppm and "
        f"{two.high_n} around {signed_digits(two.high_mean_ppm)} ppm, apart at "
        f"{signed_digits(two.split_ppm)} ppm"
    )
    if apart is not None and apart.explains(two.split_ppm):
        return f"two groups, which the positions explain: {said}"
    return f"it looks like two lots mixed: {said}"
