"""From readings to a verdict that can be defended: budget, limit, word, reasons."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from benchlog.analysis.running import Running
from benchlog.analysis.stats import RunStats
from benchlog.analysis.uncertainty import mean_uncertainty
from benchlog.model import Columns, Part, Run, Timebase, Word
from benchlog.units import format_ppm, format_u_ppm
from benchlog.verdict.budget import Budget, BudgetLine, budget_of, resolution_line
from benchlog.verdict.decide import (
    JitterVerdict,
    conformance_probability,
    jitter_verdict,
    word_for,
    worst,
)
from benchlog.verdict.limits import Limit, limit_for
from benchlog.verdict.timebase import assumed_timebase


@dataclass(frozen=True, slots=True)
class Assessment:
    """What a run says about its device so far; None stands for unknown.

    Parameters
    ----------
    stats : RunStats
        Uncorrected figures.
    offset_ppm : float | None
        Mean offset, corrected for the time base.
    u_ppm : float | None
        Expanded uncertainty U (95 %) of it.
    budget : Budget | None
        Where U comes from.
    limit : Limit
        What it is held against.
    word : Word
        The worst of the offset's word and the jitter's.
    conformance : float | None
        Probability (0 ... 1) that the device is within the limit.
    jitter : JitterVerdict | None
        None when the part states no jitter limit.
    reasons : tuple of str
        Why the verdict is what it is, in plain words.
    timebase : Timebase
        What the correction rests on.

    """

    stats: RunStats
    offset_ppm: float | None
    u_ppm: float | None
    budget: Budget | None
    limit: Limit
    word: Word
    conformance: float | None
    jitter: JitterVerdict | None
    reasons: tuple[str, ...]
    timebase: Timebase


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

    def feed(self, columns: Columns) -> None:
        """Take in readings in order. Raises DataError as `Running.feed` does."""
        self._running.feed(columns)

    def assessment(self) -> Assessment:
        """Return what can be said by now."""
        stats = self._running.stats()
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
        draft = Assessment(
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
        )
        return replace(draft, reasons=tuple(_reasons(draft)))

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
        return jitter_verdict(stats.jitter_ppm_rms, stats.n - 2, limit_ppm)


def judge_for(run: Run) -> RunJudge:
    """Return the judge for a run as the database knows it."""
    return RunJudge(
        run.part,
        divider=run.divider,
        timebase=run.timebase,
        resolution_hz=run.resolution_hz,
    )


def corrected_ppm(read_ppm: float | None, timebase_ppm: float) -> float | None:
    """Correct an offset for the time base: f_true = f_read (1 + y_timebase)."""
    if read_ppm is None:
        return None
    return read_ppm + timebase_ppm + read_ppm * timebase_ppm * 1e-6


def is_clear(assessment: Assessment, min_readings: int) -> bool:
    """Whether a run may stop: pass or fail, with enough readings."""
    clear = assessment.word in (Word.PASS, Word.FAIL)
    return clear and assessment.stats.n >= min_readings


def _ambient(stats: RunStats) -> tuple[float, float, float] | None:
    low, mean, high = stats.ambient_min_c, stats.ambient_mean_c, stats.ambient_max_c
    if low is None or mean is None or high is None:
        return None
    return (low, mean, high)


def _mostly_suspect(stats: RunStats) -> bool:
    return stats.n > 0 and 2 * stats.n_suspect > stats.n


def _word(
    stats: RunStats,
    offset: float | None,
    budget: Budget | None,
    limit: Limit,
    jitter: JitterVerdict | None,
) -> Word:
    if offset is None or budget is None or _mostly_suspect(stats):
        return Word.UNDECIDED
    if not limit.known:
        return Word.UNDECIDED
    word = word_for(offset, budget.expanded_ppm, limit.ppm)
    return word if jitter is None else worst(word, jitter.word)


def _reasons(a: Assessment) -> Iterator[str]:
    stats = a.stats
    if _mostly_suspect(stats):
        yield (
            f"{stats.n_suspect} of {stats.n} readings lie near a simple multiple of "
            "nominal: check divider / trigger level"
        )
    elif stats.n_suspect:
        yield (
            f"{stats.n_suspect} of {stats.n} readings are suspect (near a simple "
            "multiple of nominal) and are counted"
        )
    if a.offset_ppm is None or a.budget is None:
        yield _too_few(stats)
    elif not a.limit.known:
        yield "no limit is known for this part: there is nothing to judge it by"
    else:
        yield _comparison(a)
    if a.jitter is not None:
        yield a.jitter.text
    yield from a.limit.reasons
    if a.timebase.status == "assumed":
        yield f"time base {a.timebase.text}"
    if stats.gaps:
        yield f"{stats.gaps} gaps: averages need at least half of their readings"
    if stats.n_typed_ambient:
        yield "ambient temperature is what the operator stated"
    if stats.n_settling:
        yield (
            f"{stats.n_settling} readings from before the device had settled are kept "
            "and left out"
        )
    if stats.simulated:
        yield "simulated data"


def _too_few(stats: RunStats) -> str:
    if stats.n < 2:
        count = "no reading" if stats.n == 0 else "1 reading"
        return f"{count} so far: at least 2 are needed to tell how they scatter"
    return (
        f"{stats.n} readings and no two of them follow each other: nothing can be "
        "said of how they scatter"
    )


def _comparison(a: Assessment) -> str:
    said = f"offset {format_ppm(a.offset_ppm, a.u_ppm)} +- {format_u_ppm(a.u_ppm)} ppm"
    limit = f"+-{a.limit.ppm:,.10g} ppm ({a.limit.text})"
    assert a.offset_ppm is not None and a.u_ppm is not None
    match word_for(a.offset_ppm, a.u_ppm, a.limit.ppm):
        case Word.PASS:
            return f"{said} lies within {limit}, uncertainty included"
        case Word.FAIL:
            return f"{said} lies outside {limit}, even with the uncertainty"
        case _:
            return f"{said} overlaps the limit {limit}: too near to tell"
