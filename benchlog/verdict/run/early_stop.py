"""When one device has been measured enough: a sequential decision with stated rates.

Looking again and again until a 95 % interval happens to clear the limit decides wrongly
far more often than one look does. Here the looks are few and planned, and what each may
err is given out beforehand (alpha spending: K. K. G. Lan, D. L. DeMets, Biometrika 70
(1983) 659; the sum over the looks bounds the whole, Bonferroni):

- a look at the minimum number of readings, then each time there are a quarter more;
- the last look, at the maximum, may err with 2.275 % a side; what is left of 2.5 % is
  shared equally by the looks before it.

The guard of a look is what the budget's own distribution exceeds with the rate of that
look. Its tail is that of few degrees of freedom where the readings are few, so the sum
is 2.5 % at every number of them: a device that lies exactly at its limit is falsely
passed in at most 2.5 % of cases, and falsely failed in at most 2.5 %; the farther from
the limit, the more seldom. The campaign beside the tests measures it.

Where a random walk is likeliest, a short run tells less of the device than a long one
would: the statistics of an early look are those at the length of the whole plan, so
that a device near its limit is measured to the end, and the look says why.

A run that ends before its plan is over has had no look that may decide: `as_ended`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from benchlog.analysis.stats import RunStats
from benchlog.analysis.uncertainty import mean_uncertainty
from benchlog.errors import UsageError
from benchlog.model import Decision, Run
from benchlog.units import counted
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.budget import Budget, BudgetLine, budget_of
from benchlog.verdict.run.decision import word_for
from benchlog.verdict.run.jitter import word_of

ERROR_RATE: Final = 0.025  # definition: one side of U (95 %)
"""False accepts of a device at its limit, at most; the same for false rejects."""
LAST_LOOK_RATE: Final = 0.02275  # our rule: k = 2 where all is normal, 1 - Phi(2)
"""What the last look may err: 2 % more guard than one look alone needs."""
GROWTH: Final = 1.25  # our rule, no source: few looks, so that each may err more
SETTLING_READINGS: Final = 5  # our rule: fewer show no trend in scatter
SETTLED_SHARE: Final = 0.1  # our rule, no source: of the limit, in what is to come
_TELLS: Final = 1.1  # our rule: a guard so much wider is told of
_WANDERS: Final = 1.2  # our rule: random walk is half the variance at twice the length


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
            word = look_word(assessment, LAST_LOOK_RATE)
            return LookResult(
                True, word, f"{counted(n, 'reading')}: all that was planned"
            )
        due = sum(n >= look for look in self._looks)
        if due <= self._taken:
            return LookResult(False, Decision.UNDECIDED, self._waiting(n))
        self._taken = due
        longer = self._looks[-1] / max(n, 1)
        word = look_word(assessment, self.rule.early_rate, longer=longer)
        if word is not Decision.UNDECIDED:
            return LookResult(True, word, f"clear after {n} readings")
        text = self._waiting(n)
        if wander_factor(assessment.stats, longer) > _TELLS:
            text += "; it wanders slowly: the whole run tells more than a part of it"
        return LookResult(False, word, text)

    def _waiting(self, n: int) -> str:
        coming = next(look for look in self._looks if look > n)
        return f"not clear by {counted(n, 'reading')}, next look at {coming}"


def look_word(assessment: Assessment, rate: float, *, longer: float = 1.0) -> Decision:
    """Return the word that a look allows, wrong at most with `rate` a side.

    `longer` is how many times as long the plan is as the run by now.
    """
    budget, offset = assessment.judged_budget, assessment.judged[0]
    if budget is None or offset is None or assessment.word is Decision.UNDECIDED:
        return Decision.UNDECIDED
    factor = wander_factor(assessment.stats, longer)
    guard = look_guard_ppm(budget, rate, factor)
    words = [word_for(offset, guard, assessment.limit.ppm)]
    if assessment.jitter is not None:
        jitter = assessment.jitter
        words.append(word_of(jitter.line, jitter.gate, jitter.limit_ppm, rate))
    if Decision.FAIL in words:
        clear = Decision.FAIL
    else:
        clear = Decision.UNDECIDED if Decision.UNDECIDED in words else Decision.PASS
    return clear if clear is assessment.word else Decision.UNDECIDED


def look_guard_ppm(budget: Budget, rate: float, factor: float = 1.0) -> float:
    """Return the guard of a look: what the error exceeds with `rate`, on one side.

    `factor` widens the statistics.
    """
    if factor > 1.0:
        budget = budget_of(
            replace(line, u_ppm=factor * line.u_ppm) if _is_statistics(line) else line
            for line in budget.lines
        )
    return budget.guard_ppm(rate)


def _is_statistics(line: BudgetLine) -> bool:
    return line.name == "statistics"


def wander_factor(stats: RunStats, longer: float) -> float:
    """Return by how much u of the mean is larger for a run `longer` times as long.

    By the random walk in the likeliest noise, whose Allan variance grows with the
    averaging time; 1 where the readings show none.
    """
    mean = mean_uncertainty(stats) if longer > 1.0 else None
    whole = 0.0 if mean is None else math.fsum(mean.terms)
    if mean is None or whole <= 0.0:
        return 1.0
    return math.sqrt(1.0 + (longer - 1.0) * mean.terms[-1] / whole)


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
    stopped before its first planned look, nor one of several looks that the guard of
    its last one does not clear. A check of a time base has none anyway. The
    figures stay. A copy is told from what its file keeps of the original.
    """
    n = assessment.stats.n
    if not n:
        return assessment
    if why := run.cut_short(n, fewest=StopRule().min_readings):
        why = f"{why}: no verdict"
    elif run.ended_until_clear:
        if assessment.word is look_word(assessment, LAST_LOOK_RATE):
            return _slow_to_the_end(run, assessment)
        why = (
            "measured until clear: several looks share the 2.5 % of each side, and "
            "beyond U the last one has too little room to the limit"
        )
    else:
        return assessment
    reasons = (why, *assessment.reasons)
    return replace(assessment, word=Decision.UNDECIDED, reasons=reasons)


def _slow_to_the_end(run: Run, assessment: Assessment) -> Assessment:
    """Say why a run took all readings where slow noise kept early looks from a word."""
    most = run.max_readings or StopRule().max_readings
    if assessment.stats.n < most or wander_factor(assessment.stats, 2.0) < _WANDERS:
        return assessment
    why = (
        "the frequency wanders slowly (likeliest random-walk FM): measured to the "
        "planned end, because a part of such a run tells less than the whole"
    )
    return replace(assessment, reasons=(*assessment.reasons, why))
