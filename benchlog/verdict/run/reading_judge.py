"""From readings to a verdict that can be defended: budget, limit, word, reasons."""

from dataclasses import replace
from typing import Final

from benchlog.analysis.outliers import WithoutOutliers
from benchlog.analysis.running import Running
from benchlog.analysis.stats import RunStats
from benchlog.analysis.uncertainty import mean_uncertainty
from benchlog.model import (
    Columns,
    Decision,
    Part,
    Pulses,
    Timebase,
)
from benchlog.verdict.run.assessment import Assessment, Outliers
from benchlog.verdict.run.budget import (
    Budget,
    BudgetLine,
    budget_of,
    resolution_line,
)
from benchlog.verdict.run.decision import conformance_probability, word_for, worst
from benchlog.verdict.run.gross_error import unit_doubt
from benchlog.verdict.run.jitter import JitterVerdict, jitter_of
from benchlog.verdict.run.limit import Limit, limit_for
from benchlog.verdict.run.reasons import mostly_suspect, reasons_for
from benchlog.verdict.timebase.known_timebase import assumed_timebase

_JITTERS: Final = 3.0
_GROSS_PPM: Final = 10_000.0


class RunJudge:
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

    """

    takes_pulses: Final = False

    def __init__(
        self,
        part: Part,
        *,
        divider: float = 1.0,
        timebase: Timebase | None = None,
        resolution_hz: float | None = None,
        horizon_years: float | None = None,
    ) -> None:
        self.part, self.divider = part, divider
        self.timebase = timebase or assumed_timebase()
        self.resolution_hz = resolution_hz
        self.horizon_years = horizon_years
        self._running = Running(part.nominal_hz, divider)
        self._floor_ppm = outlier_floor_ppm(part)
        self._rest = WithoutOutliers(part.nominal_hz, divider, self._floor_ppm)

    def feed(self, columns: Columns) -> None:
        """Take in readings in order. Raises DataError as `Running.feed` does."""
        self._running.feed(columns)
        self._rest.feed(columns)

    def feed_pulses(self, pulses: Pulses) -> None:
        """Take no notice: a run of readings has no pulses."""

    def assessment(self) -> Assessment:
        """Return what can be said by now."""
        found = self._judged(self._running.stats())
        if not mostly_suspect(found.stats):
            found = self._weighed(found)
        return replace(found, reasons=tuple(reasons_for(found)))

    def _weighed(self, found: Assessment) -> Assessment:
        """Leave it undecided where outliers alone make the word what it is."""
        rest = self._rest.found()
        if rest is None:
            return found
        n, stats = rest
        outliers = Outliers(n, self._floor_ppm, found.word, self._judged(stats))
        word = Decision.UNDECIDED if outliers.decide else found.word
        return replace(found, word=word, outliers=outliers)

    def _judged(self, stats: RunStats) -> Assessment:
        """Hold figures against the limits; without reasons."""
        limit = limit_for(self.part, _ambient(stats), self.horizon_years)
        offset = corrected_ppm(stats.offset_ppm, self.timebase.offset_ppm)
        budget = self._budget(stats)
        jitter = self._jitter(stats)
        word = _word(stats, offset, budget, limit, jitter)
        conformance = None
        if offset is not None and budget is not None and limit.known:
            conformance = conformance_probability(
                offset,
                budget.u_ppm,
                -limit.ppm,
                limit.ppm,
                budget.degrees_of_freedom,
            )
        return Assessment(
            stats,
            offset,
            budget.expanded_ppm if budget else None,
            budget,
            limit,
            word,
            conformance,
            jitter,
            (),
            self.timebase,
            nominal_hz=self.part.nominal_hz,
            divider=self.divider,
        )

    def _budget(self, stats: RunStats) -> Budget | None:
        """Return the budget; None while the readings cannot say how they scatter."""
        mean = mean_uncertainty(stats)
        if mean is None:
            return None
        base = self.timebase
        shape = "normal" if base.status == "checked" else "rectangular"
        return budget_of(
            [
                BudgetLine(
                    "time base", base.u_ppm, base.degrees_of_freedom, shape, base.text
                ),
                resolution_line(self.resolution_hz, self.part.nominal_hz, self.divider),
                BudgetLine(
                    "statistics", mean.u_ppm, mean.degrees_of_freedom, "t", mean.text
                ),
            ]
        )

    def _jitter(self, stats: RunStats) -> JitterVerdict | None:
        limit_ppm = self.part.limits.jitter_ppm
        if limit_ppm is None:
            return None
        return jitter_of(stats, limit_ppm)


def outlier_floor_ppm(part: Part) -> float:
    """Return how far from its neighbours a reading must lie to be called an outlier.

    Three times the jitter that the data sheet allows; else its tolerance, 1 % at most.
    """
    limits = part.limits
    if limits.jitter_ppm is not None:
        return _JITTERS * limits.jitter_ppm
    return min(float(limits.tolerance_ppm), _GROSS_PPM)


def corrected_ppm(read_ppm: float | None, timebase_ppm: float) -> float | None:
    """Correct an offset for the time base: f_true = f_read (1 + y_timebase)."""
    if read_ppm is None:
        return None
    return read_ppm + timebase_ppm + read_ppm * timebase_ppm * 1e-6


def is_clear(assessment: Assessment, min_readings: int) -> bool:
    """Whether a run may stop: pass or fail, with enough readings."""
    clear = assessment.word in (Decision.PASS, Decision.FAIL)
    return clear and assessment.stats.n >= min_readings


def _ambient(stats: RunStats) -> tuple[float, float, float] | None:
    low, mean, high = stats.ambient_min_c, stats.ambient_mean_c, stats.ambient_max_c
    if low is None or mean is None or high is None:
        return None
    return (low, mean, high)


def _word(
    stats: RunStats,
    offset: float | None,
    budget: Budget | None,
    limit: Limit,
    jitter: JitterVerdict | None,
) -> Decision:
    if offset is None or budget is None or mostly_suspect(stats):
        return Decision.UNDECIDED
    if not limit.known or unit_doubt(offset, limit.ppm):
        return Decision.UNDECIDED
    word = word_for(offset, budget.expanded_ppm, limit.ppm)
    return word if jitter is None else worst(word, jitter.word)
