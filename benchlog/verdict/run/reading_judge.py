"""From readings to a verdict that can be defended: budget, limit, word, reasons."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from benchlog.analysis.even_drift import drift_of
from benchlog.analysis.outliers import WithAndWithout
from benchlog.analysis.repeats import Repeats
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
    drift_line,
    room_line,
    timebase_line,
)
from benchlog.verdict.run.counter.resolution import DigitCounts, SeenDigit, digit_line
from benchlog.verdict.run.gathered_readings import Gathered
from benchlog.verdict.run.jitter import JitterVerdict, jitter_of
from benchlog.verdict.run.judgement import Judge, corrected_ppm, held_against_limit
from benchlog.verdict.run.part_law import part_law, swing_ppm
from benchlog.verdict.run.reasons import (
    mostly_suspect,
    reasons_for,
    repeats_text,
    rushed_text,
)
from benchlog.verdict.run.reference_band import AtReference, BandWatch, Brought
from benchlog.verdict.run.segment_shifts import shifted
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
_SETTLING_FLAG: Final = int(Flag.SETTLING)  # definition, likewise
_RUSHED: Final = 1  # our rule: a clock that was set, once
_RUSHED_SHARE: Final = 0.01  # our rule
_MOVED_C: Final = 0.2  # our rule: less is the noise and the digits of a thermometer
_GROSS_PPM: Final = 10_000.0  # our rule, see `outlier_floor_ppm`


class RunJudge(Judge):
    """Feeds on readings, assesses at any time; constant memory.

    Readings that come one by one are gathered, and taken in together once somebody
    asks: figures of two hundred cost what those of one do.

    Parameters
    ----------
    part : Part
        What the data sheet promises; its nominal frequency.
    divider : float
        The counter sees the device's frequency divided by this.
    timebase : Timebase | None
        None is the assumed one, +-1 ppm.
    resolution_hz : float | None
        The last digit of the counter's text, at its input. What is charged is the step
        that readings move in.
    horizon_years : float | None
        Adds the promised ageing to the limit.
    over_temperature : bool
        Judge the readings as they are against tolerance plus stability; else readings
        outside the reference band are brought to the reference temperature.
    learnt : LearntStability | None
        The soak that the uncertainty of the mean rests on.
    cut : bool
        The counter cuts off what is below its last digit: it reads half a digit low.
    thermometer_u_c : float | None
        Standard uncertainty of the ambient temperature, C; None is the assumed one.

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
        cut: bool = False,
        thermometer_u_c: float | None = None,
    ) -> None:
        self.part, self.divider = part, divider
        self.cut, self._digits, self._seen = cut, DigitCounts(), SeenDigit(None)
        self.over_temperature, self.learnt = over_temperature, learnt
        self.thermometer_u_c = thermometer_u_c
        self.timebase = timebase or assumed_timebase()
        self.resolution_hz = resolution_hz
        self.horizon_years = horizon_years
        self._floor_ppm = outlier_floor_ppm(part)
        self._figures = WithAndWithout(part.nominal_hz, divider, self._floor_ppm)
        self._repeats = Repeats(
            least_scatter_ppm(part) * 1e-6 * part.nominal_hz / divider
        )
        self.segment_shifts_ns: Mapping[int, int] = {}
        """What is added to the UTC of a segment: the clock was set in between."""
        self._rushed = 0
        self._gathered = Gathered()
        self._found: tuple[float | None, Assessment] | None = None
        self._law = part_law(part)
        self._band = None if over_temperature else BandWatch(part, divider)

    def feed(self, batch: Columns | Pulses) -> None:
        """Take in readings in order. Raises DataError as `Running.feed` does."""
        if isinstance(batch, Columns):
            self._found = None
            for whole in self._gathered.feed(shifted(batch, self.segment_shifts_ns)):
                self._enter(whole)

    def _enter(self, batch: Columns) -> None:
        if self._band is not None:
            self._band.feed(batch, self._figures)
        self._figures.feed(batch)
        self._repeats.feed(batch.frequency_hz)
        settled = (batch.flags & _SETTLING_FLAG) == 0
        self._digits.feed(batch.frequency_hz[settled])
        self._rushed += int(np.count_nonzero(batch.flags & _RUSHED_FLAG))

    def charted(self) -> None:
        """Return nothing: readings are their own chart."""

    def assessment(self) -> Assessment:
        """Return what can be said by now; worked out once until more is fed."""
        for whole in self._gathered.all():
            self._enter(whole)
        if self._found is None or self._found[0] != self.resolution_hz:
            self._found = self.resolution_hz, self._assessed()
        return self._found[1]

    def _assessed(self) -> Assessment:
        brought = None if self._band is None else self._band.brought()
        self._seen = self._digits.seen(self.resolution_hz, cut=self.cut)
        found = self._judged(self._figures.apart()[0].stats(), brought)
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
        digit_hz = self._seen.digit_hz
        found = replace(found, digit_ppm=digit_hz and digit_hz * self._to_ppm)
        return replace(found, reasons=tuple(reasons_for(found)))

    @property
    def _to_ppm(self) -> float:
        """What 1 Hz at the counter is of nominal, ppm."""
        return self.divider / self.part.nominal_hz * 1e6

    def _whole(self, stats: RunStats) -> RunStats:
        """Return figures with the half digit added that the counter cuts off."""
        low_hz = self._seen.low_hz
        if not low_hz or stats.offset_ppm is None or stats.mean_hz is None:
            return stats
        return replace(
            stats,
            offset_ppm=stats.offset_ppm + low_hz * self._to_ppm,
            mean_hz=stats.mean_hz + low_hz * self.divider,
        )

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
        rest = self._figures.apart()[1].found()
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
        budget, rest = self._budget(stats)
        found = held_against_limit(
            part=self.part,
            stats=self._whole(stats),
            timebase=self.timebase,
            budget=budget,
            jitter=self._jitter(stats),
            divider=self.divider,
            horizon_years=self.horizon_years,
            over_temperature=self.over_temperature,
            at_reference=None if brought is None else self._at_reference(brought),
        )
        return found if self.learnt is None else replace(found, rest=rest)

    def _at_reference(self, brought: Brought) -> AtReference:
        """Return the offset at the reference temperature, with its budget."""
        stats, line = self._whole(brought.stats), brought.line
        budget, _ = self._budget(stats, brought=line is not None)
        if budget is not None and line is not None:
            lines = brought.lines(self.part.limits.reference_c, self.thermometer_u_c)
            budget = budget_of([*budget.lines, *lines])
        read_ppm = stats.offset_ppm
        if read_ppm is not None:
            read_ppm += brought.own_shift_ppm
        offset = corrected_ppm(read_ppm, self.timebase.offset_ppm)
        moved = 0.0
        if brought.law is not None and offset is not None:
            all_ppm = self._whole(self._figures.apart()[0].stats()).offset_ppm
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

    def _budget(
        self, stats: RunStats, *, brought: bool = False
    ) -> tuple[Budget | None, Rest | None]:
        """Return the budget, and what its statistics rest on.

        None while the readings cannot say how they scatter. A run that drifts is judged
        by itself: noise of a soak does not answer for it. `brought` are readings that a
        law has taken the room's motion from.
        """
        own = mean_uncertainty(stats)
        if own is None:
            return None, None
        base = self.timebase
        doubt = contradiction_line(base)
        rest = rest_of(self.learnt, stats, own)
        drift = drift_of(stats, own) if rest.rests_on is None else None
        if drift is not None:
            rest = rest.beside_drift(drift[1])
        mean = rest.mean
        room = None if brought else self._room_line(stats, mean.u_ppm)
        moves = [drift_line(drift[0], stats.span_s)] if drift else []
        if room is not None and all(room.u_ppm > line.u_ppm for line in moves):
            moves = [room]
        budget = budget_of(
            [
                timebase_line(base),
                *((doubt,) if doubt else ()),
                digit_line(self._seen, self.part.nominal_hz, self.divider),
                BudgetLine(
                    name="statistics",
                    u_ppm=mean.u_ppm,
                    degrees_of_freedom=mean.degrees_of_freedom,
                    distribution="t",
                    text=mean.text,
                ),
                *moves,
            ]
        )
        return budget, rest

    def _room_line(self, stats: RunStats, u_ppm: float) -> BudgetLine | None:
        """Return what the room moved the device by; None where noise is more.

        Less than that is in the statistics already.
        """
        low, high = stats.ambient_min_c, stats.ambient_max_c
        if self._law is None or low is None or high is None or high - low < _MOVED_C:
            return None
        over_ppm = swing_ppm(self._law.law, low, high)
        return room_line(over_ppm, high - low) if over_ppm > u_ppm else None

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
