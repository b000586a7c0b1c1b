"""What every judge does alike: correct, hold against the limit, decide, doubt.

A judge of readings and a judge of pulses differ in how they come by an offset and its
budget. What follows from these is here, once.
"""

import math
from typing import Final, Protocol

from benchlog.analysis.pulses.grid import PulseTracker
from benchlog.analysis.pulses.usual_rate import usual_rate
from benchlog.analysis.stats import RunStats
from benchlog.model import Columns, Decision, Part, Pulses, Timebase
from benchlog.units import (
    as_stated,
    format_ppm,
)
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.budget import Budget
from benchlog.verdict.run.decision import conformance_probability, word_for, worst
from benchlog.verdict.run.gross_error import unit_doubt, whole_multiple
from benchlog.verdict.run.jitter import JitterVerdict
from benchlog.verdict.run.limit import Limit, limit_for
from benchlog.verdict.run.reasons import mostly_suspect
from benchlog.verdict.run.reference_band import AtReference

_NO_CHANCE: Final = 0.2  # our rule, as `FIRST_FIT` of the grid
"""A rate that is a fifth off is no pulse train of the stated kind: the tracker's own
bound for a first spacing."""


class Judge(Protocol):
    """Takes in what a run stored, tells at any time what it means.

    Each kind of run has its judge; a batch of the other kind is let pass.
    """

    part: Part
    timebase: Timebase
    divider: float

    def feed(self, batch: Columns | Pulses) -> None:
        """Take in what follows that before, in order."""
        ...

    def assessment(self) -> Assessment:
        """Return what can be told by now."""
        ...

    def charted(self) -> Columns | None:
        """Return what stands for readings in charts; None where readings do."""
        ...


def held_against_limit(
    *,
    part: Part,
    stats: RunStats,
    timebase: Timebase,
    budget: Budget | None,
    jitter: JitterVerdict | None = None,
    divider: float = 1.0,
    horizon_years: float | None = None,
    over_temperature: bool = False,
    at_reference: AtReference | None = None,
    doubt: str = "",
) -> Assessment:
    """Correct the offset for the time base and decide, without the reasons.

    `at_reference` is the offset at the reference temperature, where readings lie
    outside its band: it decides then, unless it is asked to judge over temperature.
    `doubt` tells why nothing is judged, where the judge knows already.
    """
    limit = limit_for(
        part, _ambient(stats), horizon_years, over_temperature=over_temperature
    )
    offset = corrected_ppm(stats.offset_ppm, timebase.offset_ppm)
    doubt = doubt or _doubt_of(offset, limit, stats)
    judged, its_budget = offset, budget
    if at_reference is not None:
        judged, its_budget = at_reference.offset_ppm, at_reference.budget
    return Assessment(
        stats=stats,
        offset_ppm=offset,
        u_ppm=budget.expanded_ppm if budget else None,
        budget=budget,
        limit=limit,
        word=_word(judged, its_budget, limit, jitter, doubt),
        conformance=_conformance(judged, its_budget, limit),
        at_reference=at_reference,
        jitter=jitter,
        reasons=(),
        timebase=timebase,
        nominal_hz=part.nominal_hz,
        divider=divider,
        doubt=doubt,
    )


def corrected_ppm(read_ppm: float | None, timebase_ppm: float) -> float | None:
    """Correct an offset for the time base: f_true = f_read (1 + y_timebase)."""
    if read_ppm is None:
        return None
    return read_ppm + timebase_ppm + read_ppm * timebase_ppm * 1e-6


def rate_doubt(whose: str, tracker: PulseTracker, limit_ppm: float) -> str:
    """Ask what is wrong where pulses come at another rate than stated, else nothing.

    Pulses at a whole multiple of the rate fit the stated grid as well as if nothing
    were wrong; only how often they come tells.
    """
    rate = usual_rate(*tracker.stamps, tracker.nominal_s)
    if rate is None or abs(rate - 1.0) <= _NO_CHANCE:
        return ""
    near_ppm = 0.0 if math.isinf(limit_ppm) else limit_ppm
    often, seldom = (whole_multiple(one, near_ppm) for one in (rate, 1.0 / rate))
    if often:
        said = f"{often} times as often as stated"
    elif seldom:
        said = f"once where {seldom} were stated"
    else:
        said = f"{as_stated(float(f'{rate:.4g}'))} times as often as stated"
    off_ppm = (rate / often if often else rate * seldom if seldom else 1.0) - 1.0
    near = f", {format_ppm(off_ppm * 1e6, 1.0)} ppm off that" if often or seldom else ""
    return (
        f"pulses of {whose} come {said}{near}: is the divider or the interval right, "
        "and does the line trigger on one edge only? Nothing is judged until that is "
        "clear"
    )


def _doubt_of(offset: float | None, limit: Limit, stats: RunStats) -> str:
    if mostly_suspect(stats):
        return "most readings lie near a simple multiple of nominal"
    if offset is None or not limit.known:
        return ""
    return unit_doubt(offset, limit.ppm)


def _ambient(stats: RunStats) -> tuple[float, float, float] | None:
    low, mean, high = stats.ambient_min_c, stats.ambient_mean_c, stats.ambient_max_c
    if low is None or mean is None or high is None:
        return None
    return (low, mean, high)


def _word(
    offset: float | None,
    budget: Budget | None,
    limit: Limit,
    jitter: JitterVerdict | None,
    doubt: str,
) -> Decision:
    if offset is None or budget is None or not limit.known or doubt:
        return Decision.UNDECIDED
    word = word_for(offset, budget.expanded_ppm, limit.ppm)
    return word if jitter is None else worst(word, jitter.word)


def _conformance(
    offset: float | None, budget: Budget | None, limit: Limit
) -> float | None:
    if offset is None or budget is None or not limit.known:
        return None
    return conformance_probability(offset, budget, -limit.ppm, limit.ppm)
