"""When one device has been measured enough: a sequential decision with stated rates.

Looking again and again until a 95 % interval happens to clear the limit decides wrongly
far more often than one look does. Here the looks are few and planned, and what they may
err is given out beforehand (alpha spending; the sum over the looks bounds the whole,
Bonferroni):

- a look at the minimum number of readings, then each time there are a quarter more;
- every early look may err with an equal share of what the last look leaves of 2.5 %:
  k = 2 leaves 2.275 % in each tail, so 0.225 % is spent on stopping early;
- at the maximum the verdict is the one that stands on the screen, with its plain U.

So a device that lies exactly at its limit is falsely passed in at most 2.5 % of cases,
and falsely failed in at most 2.5 %; the farther from the limit, the more seldom. The
campaign beside the tests measures it. An early look has three hurdles: the verdict's
own word, the guard that its share asks for, and three times the scatter of a single
reading, because a few readings cannot show the slow wander (flicker) that a source
near its limit would be judged wrongly by. A source that is quiet beside its limit, as
nearly all are, pays nothing for that.

A run that ends before its plan is over has had no look that may decide: `as_ended`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from scipy.special import stdtrit

from benchlog.errors import UsageError
from benchlog.model import Decision, Run
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.budget import Budget
from benchlog.verdict.run.decision import word_for
from benchlog.verdict.run.jitter import word_of

ERROR_RATE: Final = 0.025  # definition: one side of U (95 %)
"""False accepts of a device at its limit, at most; the same for false rejects."""
LAST_LOOK_RATE: Final = 0.02275  # definition
"""What k = 2 leaves in one tail, 1 - Phi(2)."""
GROWTH: Final = 1.25  # our rule, no source: few looks, so that each may err more
# tests/finders/early_scatters.py. Criterion: few devices at their limit are judged
# wrongly in flicker FM; no number brings them to the 2.5 % a side of white noise.
SCATTERS: Final = 3.0
"""An early look wants the offset this many reading-to-reading scatters clear."""
SETTLING_READINGS: Final = 5  # our rule: fewer show no trend in scatter
SETTLED_SHARE: Final = 0.1  # our rule, no source: of the limit, in what is to come
_COVERAGE: Final = 2.0  # source: k = 2 for 95 % (JCGM 100:2008, G.6.6, from memory)


@dataclass(frozen=True, slots=True)
class StopRule:
    """How many readings at least and at most; raises UsageError unless 5 <= min <= max.

    `looks` are the numbers of readings at which a run may stop.
    """

    min_readings: int = 10
    max_readings: int = 300

    def __post_init__(self) -> None:
        if not SETTLING_READINGS <= self.min_readings <= self.max_readings:
            raise UsageError(
                f"from {self.min_readings} to {self.max_readings} readings cannot be: "
                f"take at least {SETTLING_READINGS}, and no more at least than at most"
            )

    @property
    def looks(self) -> tuple[int, ...]:
        """Numbers of readings at which the run may stop, the last the maximum."""
        looks = [self.min_readings]
        while (coming := math.ceil(looks[-1] * GROWTH)) < self.max_readings:
            looks.append(coming)
        if looks[-1] < self.max_readings:
            looks.append(self.max_readings)
        return tuple(looks)

    @property
    def early_rate(self) -> float:
        """What one early look may err, on each side."""
        return (ERROR_RATE - LAST_LOOK_RATE) / max(1, len(self.looks) - 1)


@dataclass(frozen=True, slots=True)
class LookResult:
    """What a look said: whether to stop, the word so far, and why."""

    stop: bool
    word: Decision
    text: str


class EarlyStop:
    """Watches one run; ask `step` after every commit, looks are taken when due."""

    def __init__(self, rule: StopRule | None = None) -> None:
        self.rule = rule or StopRule()
        self._looks = self.rule.looks
        self._taken = 0

    @property
    def next_look(self) -> int:
        """The number of readings at which the next look is due."""
        return self._looks[min(self._taken, len(self._looks) - 1)]

    def step(self, assessment: Assessment, *, over: bool = False) -> LookResult:
        """Return whether to stop now.

        Parameters
        ----------
        assessment : Assessment
            What the readings committed so far say.
        over : bool
            The time is up: this is the last look, whatever the number of readings.

        """
        n = assessment.stats.n
        if over or n >= self._looks[-1]:
            return LookResult(
                True, assessment.word, f"{n} readings: all that was planned"
            )
        due = sum(n >= look for look in self._looks)
        if due <= self._taken:
            return LookResult(False, Decision.UNDECIDED, self._waiting(n))
        self._taken = due
        word = early_word(assessment, self.rule.early_rate)
        if word is Decision.UNDECIDED:
            return LookResult(False, word, self._waiting(n))
        return LookResult(True, word, f"clear after {n} readings")

    def _waiting(self, n: int) -> str:
        coming = next(look for look in self._looks if look > n)
        return f"not clear by {n} readings, next look at {coming}"


def early_word(
    assessment: Assessment, rate: float, *, scatters: float = SCATTERS
) -> Decision:
    """Return the word that an early look allows, wrong at most with `rate` a side."""
    budget, offset = assessment.judged_budget, assessment.judged[0]
    if budget is None or offset is None or assessment.word is Decision.UNDECIDED:
        return Decision.UNDECIDED
    guard = early_guard_ppm(assessment, budget, rate, scatters=scatters)
    words = [word_for(offset, guard, assessment.limit.ppm)]
    if assessment.jitter is not None:
        jitter = assessment.jitter
        words.append(word_of(jitter.line, jitter.gate, jitter.limit_ppm, rate))
    if Decision.FAIL in words:
        clear = Decision.FAIL
    else:
        clear = Decision.UNDECIDED if Decision.UNDECIDED in words else Decision.PASS
    return clear if clear is assessment.word else Decision.UNDECIDED


def early_guard_ppm(
    assessment: Assessment, budget: Budget, rate: float, *, scatters: float = SCATTERS
) -> float:
    """Return the guard of an early look: U, and no less than its share asks for.

    What all looks have in common (time base, resolution) enters with k = 2, as in any
    verdict; the statistics, which each look draws anew, with the t-quantile of `rate`
    for n - 1 readings, applied to the larger of the noise fit's u and s/sqrt(n). The
    guard is never below `scatters` s.
    """
    n = max(assessment.n_judged, 2)
    common = math.hypot(
        *(line.u_ppm for line in budget.lines if line.name != "statistics")
    )
    fitted = math.hypot(
        *(line.u_ppm for line in budget.lines if line.name == "statistics")
    )
    scatter = assessment.stats.jitter_ppm_rms or 0.0
    quantile = float(stdtrit(n - 1, 1.0 - rate))
    statistics = quantile * max(fitted, scatter / math.sqrt(n))
    spent = math.hypot(_COVERAGE * common, statistics)
    return max(budget.expanded_ppm, spent, scatters * scatter)


def settled(
    times_s: Sequence[float],
    offsets_ppm: Sequence[float],
    still_to_measure_s: float,
    limit_ppm: float,
) -> bool:
    """Whether a device has settled after it was put in and may be measured.

    The slope of the last 5 readings, carried on over the time still to measure (to the
    minimum number of readings), stays below a tenth of the limit. Fewer readings are
    not settled. The noise of 5 readings s apart by tau gives the slope itself a scatter
    of sd / (tau sqrt(10)): with little limit above the noise the caller has to bound
    the waiting.
    """
    if len(times_s) < SETTLING_READINGS:
        return False
    times = list(times_s[-SETTLING_READINGS:])
    values = list(offsets_ppm[-SETTLING_READINGS:])
    middle = math.fsum(times) / SETTLING_READINGS
    away = [t - middle for t in times]
    spread = math.fsum(d * d for d in away)
    if spread <= 0:
        return False
    mean = math.fsum(values) / SETTLING_READINGS
    slope = math.fsum(d * (v - mean) for d, v in zip(away, values, strict=True))
    return abs(slope / spread) * still_to_measure_s < SETTLED_SHARE * limit_ppm


# --- the word of a run whose plan was never over


def as_ended(run: Run, assessment: Assessment) -> Assessment:
    """Return the assessment as the end of the run leaves it: undecided before a look.

    A run that was begun with an end (readings, a time, a clear verdict) and was broken
    off has no verdict, however clear its figures are; neither has one that a person
    stopped before its first planned look. A check of a time base has none anyway. The
    figures stay. A copy is told from what its file keeps of the original.
    """
    why = run.cut_short(assessment.stats.n, fewest=StopRule().min_readings)
    if not why or not assessment.stats.n:
        return assessment
    reasons = (f"{why}: no verdict", *assessment.reasons)
    return replace(assessment, word=Decision.UNDECIDED, reasons=reasons)
