"""What a reference check says of a counter's time base; three ways, one finding.

A time base that runs fast (positive offset y) reads a frequency low and a period long:
f_read = f_true / (1 + y), so y = f_true / f_read - 1. Divided down to pulses, it gains
time on the reference, and y is the slope of that directly.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.outliers import marked
from benchlog.analysis.pulses.train import PulseCounts
from benchlog.analysis.pulses.trains import TrainComparison
from benchlog.analysis.running import Running
from benchlog.analysis.settling import left_out
from benchlog.analysis.uncertainty import mean_uncertainty
from benchlog.errors import DataError
from benchlog.model import Columns, InstrumentSpec, ReferenceSpec
from benchlog.units import (
    NS_PER_S,
    SECONDS_PER_DAY,
    as_stated,
    format_duration,
    format_frequency,
    two_digits,
)
from benchlog.verdict.run.budget import (
    COVERAGE,
    Budget,
    BudgetLine,
    budget_of,
)
from benchlog.verdict.run.counter.resolution import DigitCounts, digit_line
from benchlog.verdict.run.pulse_budget import statistics_line
from benchlog.verdict.run.pulse_timing import ASSUMED_PULSE_S
from benchlog.verdict.timebase.warm_up import (
    WarmUpDrift,
    allowed_drift,
    drift_of_pulses,
    drift_of_readings,
)

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

PLAUSIBLE_PPM: Final = 1000.0  # our rule: far beyond any crystal
"""A time base further off is none: the signal is not what [reference] says it is."""
_FEWEST: Final = 10  # our rule: fewer show no noise
_SLOW_HZ: Final = 1e3  # our rule: below it the reference is pulses
_FLOOR_PPM: Final = 1e-3  # our rule: finer steps are a counter's own
_DAYS: Final = 30.0  # a check holds so long when no ageing is stated; our rule
_DAYS_LOW, _DAYS_HIGH = 1.0, 180.0  # our rule: from a day to half a year
_ROOT_2: Final = math.sqrt(2.0)  # definition: of a difference


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A time base held against a reference.

    Parameters
    ----------
    offset_ppm : float
        Of the time base; positive is fast.
    budget : Budget
        Where its uncertainty comes from; `budget.expanded_ppm` holds with 95 %.
    pulses, missed, set_aside : int
        Pulses (or readings) that counted, that did not come, that did not fit.
    span_s : float
        How long the check lasted.
    drift : Drift | None
        None when it was too short to tell.
    method : str
        How it was done, in words.

    """

    offset_ppm: float
    budget: Budget
    pulses: int
    missed: int
    set_aside: int
    span_s: float
    drift: WarmUpDrift | None
    method: str

    @property
    def u_ppm(self) -> float:
        """Standard uncertainty that gives U taken as normal, as a check is kept."""
        return self.budget.expanded_ppm / COVERAGE


def by_readings(
    columns: Columns,
    reference: ReferenceSpec,
    counter: InstrumentSpec,
    resolution_hz: float | None,
) -> Finding:
    """Judge a counter by its readings of a pulse or of a reference frequency.

    Raises DataError when there are too few, or when they are not of the reference.
    """
    nominal_hz = reference.nominal_hz
    y_ppm = (nominal_hz / columns.frequency_hz - 1.0) * 1e6
    plausible = np.abs(y_ppm) <= PLAUSIBLE_PPM
    _must_be_reference(columns, plausible, reference)
    odd = ~plausible
    odd[plausible] = marked(y_ppm[plausible], _FLOOR_PPM)
    kept = left_out(columns, odd)
    running = Running(nominal_hz)
    running.feed(kept)
    stats = running.stats()
    digits = DigitCounts()
    digits.feed(kept.frequency_hz)
    digit = digits.seen(resolution_hz, cut=counter.counts.cut)
    mean = mean_uncertainty(stats)
    if mean is None or stats.mean_hz is None:
        raise DataError("no two readings of the reference follow each other")
    budget = budget_of(
        [
            *_reference_lines(reference, stats.span_s),
            digit_line(digit, nominal_hz, 1.0),
            BudgetLine(
                name="statistics",
                u_ppm=mean.u_ppm,
                degrees_of_freedom=mean.degrees_of_freedom,
                distribution="t",
                text=mean.text,
            ),
        ]
    )
    return Finding(
        offset_ppm=(nominal_hz / (stats.mean_hz + digit.low_hz) - 1.0) * 1e6,
        budget=budget,
        pulses=stats.n,
        missed=_missed(y_ppm, plausible),
        set_aside=int(np.count_nonzero(odd)),
        span_s=stats.span_s,
        drift=drift_of_readings(
            kept,
            reference.nominal_hz,
            allowed_drift(counter),
        ),
        method=_method(reference),
    )


def by_pulses(
    found: TrainComparison,
    counts: tuple[PulseCounts, PulseCounts],
    reference: ReferenceSpec,
    counter: InstrumentSpec,
) -> Finding:
    """Judge a time base by its pulses against the reference's.

    `counts` are the time base's and the reference's.
    """
    ours, theirs = counts
    statistics = statistics_line(found, ours.good)
    budget = budget_of([*_reference_lines(reference, found.span_s), statistics])
    return Finding(
        offset_ppm=found.offset * 1e6,
        budget=budget,
        pulses=ours.good - found.aside[0],
        missed=ours.missed + theirs.missed,
        set_aside=sum(found.aside) + sum(_odd(one) for one in counts),
        span_s=found.span_s,
        drift=drift_of_pulses(found, allowed_drift(counter)),
        method=_method(reference),
    )


def days_it_holds(counter: InstrumentSpec, expanded_ppm: float) -> float:
    """Return for how many days a check holds.

    Until the stated ageing may have moved the time base by as much as the check is
    uncertain, from a day to half a year; 30 days when no ageing is stated (our rule).
    """
    ageing = counter.timebase_ageing_ppm_per_year
    if not ageing:
        return _DAYS
    return min(max(365.25 * expanded_ppm / ageing, _DAYS_LOW), _DAYS_HIGH)


def holds_until_ns(at_utc_ns: int, days: float) -> int:
    """Return until when a check holds."""
    return at_utc_ns + round(days * SECONDS_PER_DAY * NS_PER_S)


# --- details ----------------------------------------------------------------------


def _must_be_reference(
    columns: Columns, plausible: Mask, reference: ReferenceSpec
) -> None:
    n = len(columns)
    if n < _FEWEST:
        raise DataError(
            f"{n} readings of the reference: at least {_FEWEST} are needed; check for "
            "longer"
        )
    if 2 * np.count_nonzero(plausible) <= n:
        middle = float(np.median(columns.frequency_hz))
        raise DataError(
            f"the counter reads {as_stated(middle)} Hz where [reference] promises "
            f"{as_stated(reference.nominal_hz)} Hz: is the reference at that input?"
        )


def _missed(y_ppm: Array, plausible: Mask) -> int:
    """Count readings that are low by whole pulses: n - 1 came where n were due."""
    if plausible.all():
        return 0
    return int(np.count_nonzero(~plausible & (y_ppm > 0)))


def _odd(counts: PulseCounts) -> int:
    return counts.doubled + counts.bounced + counts.early + counts.late


def _reference_lines(reference: ReferenceSpec, span_s: float) -> Iterator[BudgetLine]:
    """Yield what the reference itself adds: at either end, and in rate."""
    if reference.u_ppm is not None:
        text = "stated in the bench file"
        yield BudgetLine(
            name="reference",
            u_ppm=reference.u_ppm,
            degrees_of_freedom=math.inf,
            distribution="normal",
            text=text,
        )
        return
    stated = reference.u_s is not None
    u_s = reference.u_s if reference.u_s is not None else ASSUMED_PULSE_S
    if reference.nominal_hz > _SLOW_HZ and not stated:
        text = "nothing stated of the reference frequency: 0.01 ppm assumed"
        yield BudgetLine(
            name="reference",
            u_ppm=0.01,
            degrees_of_freedom=math.inf,
            distribution="normal",
            text=text,
        )
        return
    said = "stated" if stated else "assumed"
    text = f"{said} u {two_digits(u_s)} s at either end of {format_duration(span_s)}"
    yield BudgetLine(
        name="reference",
        u_ppm=_ROOT_2 * u_s / span_s * 1e6,
        degrees_of_freedom=math.inf,
        distribution="normal",
        text=text,
    )


def _method(reference: ReferenceSpec) -> str:
    if reference.pulses is not None:
        return (
            f"pulses of {reference.timebase!r} compared with those of "
            f"{reference.pulses!r} by this computer"
        )
    said = format_frequency(reference.nominal_hz)
    if reference.nominal_hz <= _SLOW_HZ:
        return f"the counter timed pulses of {said}"
    return f"the counter measured a reference of {said}"
