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
from benchlog.verdict.run.jitter import JitterVerdict, jitter_of
from benchlog.verdict.run.judgement import Judge, held_against_limit
from benchlog.verdict.run.reasons import mostly_suspect, reasons_for
from benchlog.verdict.timebase.known_timebase import assumed_timebase

_JITTERS: Final = 3.0  # our rule: as three standard deviations
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

    """

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

    def feed(self, batch: Columns | Pulses) -> None:
        """Take in readings in order. Raises DataError as `Running.feed` does."""
        if isinstance(batch, Columns):
            self._running.feed(batch)
            self._rest.feed(batch)

    def charted(self) -> None:
        """Return nothing: readings are their own chart."""

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
        return held_against_limit(
            part=self.part,
            stats=stats,
            timebase=self.timebase,
            budget=self._budget(stats),
            jitter=self._jitter(stats),
            divider=self.divider,
            horizon_years=self.horizon_years,
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
                    name="time base",
                    u_ppm=base.u_ppm,
                    degrees_of_freedom=base.degrees_of_freedom,
                    distribution=shape,
                    text=base.text,
                ),
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
    return clear and assessment.stats.n >= min_readings
