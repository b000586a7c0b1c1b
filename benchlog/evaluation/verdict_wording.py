"""The verdict in words: its sign, its line, what stands in its place, a kept check."""

import math
from typing import Final

from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.units import as_stated, format_ppm, format_u_ppm, iso_utc, percent
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.budget import COVERAGE

TIMEBASE_CHECK: Final = "TIME BASE CHECK"
_SYMBOLS: Final = {
    "pass": "✓", "accepted": "✓", "fits": "✓",
    "undecided": "?", "open": "?", "marginal": "?",
    "fail": "✗", "rejected": "✗", "unfit": "✗",
}  # fmt: skip


def symbol_of(decision: str) -> str:
    """Return the sign of a verdict, of what becomes of a lot, or of fitness for a use.

    Empty for what decides nothing.
    """
    return _SYMBOLS.get(decision, "")


def known(figure: float | None) -> float | None:
    """Return a figure; None for one that is infinite or no number: it is not known."""
    return figure if figure is not None and math.isfinite(figure) else None


def headline(a: Assessment) -> str:
    """Return the verdict in capitals, with the probability that the device conforms.

    What it was asked to hold over temperature is told with it.
    """
    said = a.word.upper()
    if a.limit.over_temperature:
        said += f" over temperature (+-{as_stated(a.limit.ppm)} ppm)"
    conformance = known(a.conformance)
    if conformance is None:
        return said
    return f"{said}, conformance probability {percent(conformance)}"


def verdict_text(evaluation: Evaluation) -> str:
    """Return the verdict, and why, a line each; or that the run does not count."""
    sign = symbol_of(evaluation.decision)
    if evaluation.not_counted_text or evaluation.checked_instrument:
        sign = "-"
    lines = (*verdict_lines(evaluation), *evaluation.reasons)
    return "\n".join([f"{sign} {lines[0]}", *lines[1:]])


def verdict_lines(evaluation: Evaluation) -> tuple[str, ...]:
    """Return what is in the verdict's place, and what the readings by themselves tell.

    A run that does not count, and a damaged device, have their state in its place; a
    check of a time base judges no device.
    """
    by_readings = headline(evaluation.assessment)
    if evaluation.checked_instrument:
        return (evaluation.not_counted_text or TIMEBASE_CHECK,)
    if evaluation.not_counted_text:
        return evaluation.not_counted_text, f"by its readings: {by_readings}"
    if evaluation.run.damaged:
        return "FAIL, the device is damaged", f"by its readings: {by_readings}"
    return (by_readings,)


def check_text(evaluation: Evaluation) -> str:
    """Return the check of a time base that was kept; empty of a run that is none."""
    if evaluation.run.checks is None:
        return ""
    if evaluation.kept_check is None:
        return "none was kept of this run"
    number, check = evaluation.kept_check
    u = COVERAGE * check.u_ppm
    held = f"holds until {iso_utc(check.valid_until_utc_ns)}"
    if check.void is not None:
        held = f"void, it corrects nothing ({check.void})"
    return (
        f"number {number}: time base {format_ppm(check.offset_ppm, u)} +- "
        f"{format_u_ppm(u)} ppm (95 %), {held}"
    )
