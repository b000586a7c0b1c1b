"""The uncertainty of an offset by pulses, and how long until it is small enough."""

import math
from dataclasses import replace
from typing import Final

from benchlog.analysis.pulses.trains import TrainComparison
from benchlog.model import Decision, Timebase
from benchlog.units import three_digits, two_digits
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.budget import Budget, BudgetLine, budget_of, timebase_line
from benchlog.verdict.run.pulse_timing import Timing, span_until

# of the time until judged: the estimate should not be missed; our rule
_MARGIN: Final = 1.02


def pulse_budget(
    found: TrainComparison, pulses: int, timebase: Timebase, against: str
) -> Budget:
    """Return the budget of a comparison; `against` names what it is held against."""
    ends_ppm = math.sqrt(2.0) * timebase.u_s / found.span_s * 1e6
    ends = f"sqrt(2) {two_digits(timebase.u_s)} s over {found.span_s:.0f} s"
    lines = [
        timebase_line(timebase, against),
        BudgetLine(name=f"{against}, ends", u_ppm=ends_ppm, text=ends),
        statistics_line(found, pulses),
    ]
    return budget_of(line for line in lines if line.u_ppm > 0 or line is lines[-1])


def statistics_line(found: TrainComparison, pulses: int) -> BudgetLine:
    """Return what the scatter of the stamps leaves uncertain of the slope."""
    line = found.line
    colour = "white" if line.white > 0.5 else "coloured"
    said = (
        f"{pulses} pulses, residuals {three_digits(found.fit.rms_s * 1e6)} us "
        f"rms, {colour}"
    )
    if found.earliest is not None:
        said += f", earliest stamps of {len(line.used)} windows"
    if found.later_by:
        how = "grow" if found.later_by > 0 else "fall"
        ppm = two_digits(abs(found.later_by) * 1e6)
        said += f"; their scatter {how}s: {ppm} ppm for delays that may {how} with it"
    return BudgetLine(
        name="statistics",
        u_ppm=line.u * 1e6,
        degrees_of_freedom=line.freedom,
        distribution="t",
        text=said,
    )


def until_judged(timing: Timing, found: TrainComparison, draft: Assessment) -> Timing:
    """Return the timing with how long it takes until U no longer reaches the limit."""
    if draft.word is not Decision.UNDECIDED:
        return replace(timing, judged_in_s=0.0)
    if draft.offset_ppm is None or draft.budget is None or not draft.limit.known:
        return timing
    margin = abs(abs(draft.offset_ppm) - draft.limit.ppm)
    base, k = draft.timebase, draft.budget.k

    def expanded_ppm(span_s: float) -> float:
        ends = math.sqrt(2.0) * base.u_s / span_s * 1e6
        return k * math.hypot(base.u_ppm, ends, found.u_after(span_s) * 1e6)

    span_s = span_until(expanded_ppm, found.span_s, margin)
    by_itself = k * base.u_ppm < margin
    if span_s is None:
        return replace(timing, by_itself=by_itself)
    return replace(timing, judged_in_s=max(0.0, span_s * _MARGIN - found.span_s))
