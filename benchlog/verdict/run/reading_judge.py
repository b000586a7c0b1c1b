"""From readings to a verdict that can be defended: budget, limit, word, reasons."""

from dataclasses import replace
from typing import Final

import numpy as np

from benchlog.analysis.outliers import WithoutOutliers
from benchlog.analysis.repeats import Repeats
from benchlog.analysis.running import Running
from benchlog.analysis.stats import RunStats
from benchlog.analysis.uncertainty import mean_uncertainty
from benchlog.model import (
    Columns,
    Decision,
    Flag,
    Kind,
    LearntStability,
    Part,
    Pulses,
    Timebase,
)
from benchlog.verdict.run.assessment import Assessment, Outliers
from benchlog.verdict.run.budget import (
    Budget,
    BudgetLine,
    budget_of,
    contradiction_line,
    resolution_line,
)
from benchlog.verdict.run.jitter import JitterVerdict, jitter_of
from benchlog.verdict.run.judgement import Judge, corrected_ppm, held_against_limit
from benchlog.verdict.run.reasons import (
    mostly_suspect,
    reasons_for,
    repeats_text,
    rushed_text,
)
from benchlog.verdict.run.reference_band import AtReference, BandWatch, Brought
from benchlog.verdict.soak.learnt_stability import Rest, rest_of
from benchlog.verdict.timebase.known_timebase import assumed_timebase

_JITTERS: Final = 3.0  # our rule: as three standard deviations
_LEAST_PPM: Final = {
    Kind.RC: 0.5,
    Kind.CERAMIC: 0.01,
    Kind.QUARTZ: 1e-3,
    Kind.TUNING_FORK: 1e-3,
    Kind.MEMS: 1e-3,
    Kind.TCXO: 1e-4,
    Kind.OCXO: 1e-6,
    Kind.OTHER: 1e-4,
}
"""From reading to reading at gates up to some seconds, the breath of a quiet room
included; common practice, no source."""
_RUSHED_FLAG: Final = int(Flag.RUSHED)  # definition: an enum's bit masks slowly
_RUSHED: Final = 1  # our rule: a clock that was set, once
_RUSHED_SHARE: Final = 0.01  # our rule
_GROSS_PPM: Final = 10_000.0  # our rule, see `outlier_floor_ppm`


class RunJudge(Judge):
    """Feeds on readings, assesses at any time; constant memory.

    Parameters
    ----------
    part : Part
        What the data sheet promises; its nominal frequency.
    divider : float
        The counter sees the device's frequency divided by this.
    timebase : Timebase | None
        None is the assumed one, +-1 ppm.
    resolution_hz : float | None
        The counter's last digit, at its input.
    horizon_years : float | None
        Adds the promised ageing to the limit.
    over_temperature : bool
        Judge the readings as they are against tolerance plus stability; else readings
        outside the reference band are brought to the reference temperature.
    learnt : LearntStability | None
        The soak that the uncertainty of the mean rests on.

    """

    def __init__(
        self,
        part: Part,
        *,
        divider: float = 1.0,
        timebase: Timebase | None = None,
        resolution_hz: float | None = None,
        horizon_years: float | None = None,
        over_temperature: bool = False,
        learnt: LearntStability | None = None,
    ) -> None:
        self.part, self.divider = part, divider
        self.over_temperature, self.learnt = over_temperature, learnt
        self.timebase = timebase or assumed_timebase()
        self.resolution_hz = resolution_hz
        self.horizon_years = horizon_years
        self._running = Running(part.nominal_hz, divider)
        self._floor_ppm = outlier_floor_ppm(part)
        self._rest = WithoutOutliers(part.nominal_hz, divider, self._floor_ppm)
        self._repeats = Repeats(
            least_scatter_ppm(part) * 1e-6 * part.nominal_hz / divider
        )
        self._rushed = 0
        self._band = None if over_temperature else BandWatch(part, divider)

    def feed(self, batch: Columns | Pulses) -> None:
        """Take in readings in order. Raises DataError as `Running.feed` does."""
        if isinstance(batch, Columns):
            if self._band is not None:
                self._band.feed(batch, self._running, self._rest)
            self._running.feed(batch)
            self._rest.feed(batch)
            self._repeats.feed(batch.frequency_hz)
            self._rushed += int(np.count_nonzero(batch.flags & _RUSHED_FLAG))

    def charted(self) -> None:
        """Return nothing: readings are their own chart."""

    def assessment(self) -> Assessment:
        """Return what can be said by now."""
        brought = None if self._band is None else self._band.brought()
        found = self._judged(self._running.stats(), brought)
        self._repeats.digit = self.resolution_hz or 0.0
        doubt, repeats = self._doubt_of_counter(found)
        if doubt:
            found = replace(
                found,
                word=Decision.UNDECIDED,
                conformance=None,
                repeats=repeats,
                doubt_of_counter=True,
                doubt=doubt,
            )
        elif not mostly_suspect(found.stats):
            found = self._weighed(found, brought)
        return replace(found, reasons=tuple(reasons_for(found)))

    def _doubt_of_counter(self, found: Assessment) -> tuple[str, int]:
        """Return why the counter is not believed, and how often it repeats itself."""
        if found.doubt:
            return "", 0
        repeats = self._repeats.found()
        if self._rushed > max(_RUSHED, _RUSHED_SHARE * found.stats.n):
            return rushed_text(self._rushed, found.stats), repeats
        return (repeats_text(repeats), repeats) if repeats else ("", 0)

    def _weighed(self, found: Assessment, brought: Brought | None) -> Assessment:
        """Leave it undecided where outliers alone make the word what it is."""
        rest = self._rest.found()
        if rest is None:
            return found
        n, stats = rest
        if brought is not None and brought.without_outliers is not None:
            brought = replace(brought, stats=brought.without_outliers[1])
        without = self._judged(stats, brought)
        outliers = Outliers(n, self._floor_ppm, found.word, without)
        word = Decision.UNDECIDED if outliers.decide else found.word
        return replace(found, word=word, outliers=outliers)

    def _judged(self, stats: RunStats, brought: Brought | None) -> Assessment:
        """Hold figures against the limits; without reasons."""
        rest = self._of_mean(stats)
        found = held_against_limit(
            part=self.part,
            stats=stats,
            timebase=self.timebase,
            budget=self._budget(rest),
            jitter=self._jitter(stats),
            divider=self.divider,
            horizon_years=self.horizon_years,
            over_temperature=self.over_temperature,
            at_reference=None if brought is None else self._at_reference(brought),
        )
        return found if self.learnt is None else replace(found, rest=rest)

    def _at_reference(self, brought: Brought) -> AtReference:
        """Return the offset at the reference temperature, with its budget."""
        stats, line = brought.stats, brought.line
        budget = self._budget(self._of_mean(stats))
        if budget is not None and line is not None:
            budget = budget_of([*budget.lines, line])
        read_ppm = stats.offset_ppm
        if read_ppm is not None:
            read_ppm += brought.own_shift_ppm
        offset = corrected_ppm(read_ppm, self.timebase.offset_ppm)
        moved = 0.0
        if brought.law is not None and offset is not None:
            all_ppm = self._running.stats().offset_ppm
            as_read = corrected_ppm(all_ppm, self.timebase.offset_ppm)
            moved = offset - (as_read or 0.0)
        return AtReference(
            temperature_c=self.part.limits.reference_c,
            band_c=self.part.limits.reference_band_c,
            n=stats.n,
            n_outside=brought.n_outside,
            offset_ppm=offset,
            u_ppm=budget.expanded_ppm if budget else None,
            budget=budget,
            moved_ppm=moved,
            law="" if line is None else line.text,
        )

    def _of_mean(self, stats: RunStats) -> Rest | None:
        """Return the mean's uncertainty; None while nobody can say how they scatter."""
        own = mean_uncertainty(stats)
        return None if own is None else rest_of(self.learnt, stats, own)

    def _budget(self, rest: Rest | None) -> Budget | None:
        """Return the budget; None while the readings cannot say how they scatter."""
        if rest is None:
            return None
        mean = rest.mean
        base = self.timebase
        shape = "normal" if base.status == "checked" else "rectangular"
        doubt = contradiction_line(base)
        return budget_of(
            [
                BudgetLine(
                    name="time base",
                    u_ppm=base.u_ppm,
                    degrees_of_freedom=base.degrees_of_freedom,
                    distribution=shape,
                    text=base.text,
                ),
                *((doubt,) if doubt else ()),
                resolution_line(self.resolution_hz, self.part.nominal_hz, self.divider),
                BudgetLine(
                    name="statistics",
                    u_ppm=mean.u_ppm,
                    degrees_of_freedom=mean.degrees_of_freedom,
                    distribution="t",
                    text=mean.text,
                ),
            ]
        )

    def _jitter(self, stats: RunStats) -> JitterVerdict | None:
        limit_ppm = self.part.limits.jitter_ppm
        if limit_ppm is None:
            return None
        return jitter_of(stats, limit_ppm)


def least_scatter_ppm(part: Part) -> float:
    """Return the least scatter from reading to reading that a part's kind has."""
    return _LEAST_PPM[part.kind]


def outlier_floor_ppm(part: Part) -> float:
    """Return how far from its neighbours a reading must lie to be called an outlier.

    Three times the jitter that the data sheet allows; else its tolerance, 1 % at most.
    """
    limits = part.limits
    if limits.jitter_ppm is not None:
        return _JITTERS * limits.jitter_ppm
    return min(float(limits.tolerance_ppm), _GROSS_PPM)


def is_clear(assessment: Assessment, min_readings: int) -> bool:
    """Whether a run may stop: pass or fail, with enough readings."""
    clear = assessment.word in (Decision.PASS, Decision.FAIL)
    return clear and assessment.n_judged >= min_readings
