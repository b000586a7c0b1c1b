"""Which of several reference checks of one counter rules, and how they agree.

The newest rules, with one exception: where its U is more than ten times that of an
older one that still holds, and it agrees with the one that rules, nothing changes; a
quick or poorly wired check takes nothing away from a good one. What the bench file
states of the time base (`timebase_ppm`) counts as the oldest of them, one that always
holds. Two checks agree when they differ by no more than their uncertainties and the
wander and ageing of the base between them allow (`base_wander`): of a hundred time
bases that nobody moved, one is ever said to have checks that contradict, over all
pairs of its checks together. A check that
contradicts the one that ruled ends all before it, and one that contradicts what is
stated ends that: the time base may have moved, and what was found then is no longer
known to hold, also when the newer check has run out. (Ten: our rule. At ten times the
U nothing is learned of a time base that agrees: their weighted mean would move by a
hundredth.)
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from operator import attrgetter
from typing import Final

from benchlog.model import InstrumentSpec, ReferenceCheck
from benchlog.units import as_stated, format_ppm, format_u_ppm, iso_utc
from benchlog.verdict.run.budget import COVERAGE
from benchlog.verdict.timebase.base_wander import (
    BaseWander,
    days_between,
    expected_wander,
)
from benchlog.verdict.timebase.known_timebase import (
    aged_u_ppm,
    stated_u_ppm,
    states_as_much,
)

MUCH_WORSE: Final = 10.0  # our rule: see the end of the above
"""From this ratio of U on a newer check that agrees does not replace an older one."""
UNUSED: Final = "THIS ONE IS NOT USED as things stand now"


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckComparison:
    """A new check beside the one that ruled until then.

    Parameters
    ----------
    older : ReferenceCheck
        Which ruled when the new one was made; the finest that stands where the new one
        is not used.
    older_u_ppm, newer_u_ppm : float
        Expanded (95 %), the older one's with the ageing since then.
    difference_ppm, allowed_ppm : float
        How far they lie apart, less what the slope of earlier checks leads to expect;
        how far they may, wander and ageing of the base included.
    agrees, in_use : bool
        Whether they differ by no more than that; whether the newer rules.

    """

    older: ReferenceCheck
    older_u_ppm: float
    newer_u_ppm: float
    difference_ppm: float
    allowed_ppm: float
    agrees: bool
    in_use: bool

    @property
    def text(self) -> str:
        """Say it to a person; empty where there is nothing to know."""
        old = f"the check of {iso_utc(self.older.at_utc_ns)} ("
        old += f"{format_ppm(self.older.offset_ppm, self.older_u_ppm)} +- "
        old += f"{format_u_ppm(self.older_u_ppm)} ppm)"
        if not self.agrees:
            allowed = self.allowed_ppm
            return (
                f"CONTRADICTS {old} by {format_ppm(self.difference_ppm, allowed)} "
                f"ppm, {format_u_ppm(allowed)} is what both and the base's wander "
                "allow: it may have moved, or one of them was wired wrongly; "
                "the newest is used from now on, check again before you rely on either"
            )
        if self.in_use:
            return ""
        ratio = self.newer_u_ppm / self.older_u_ppm
        return (
            f"{UNUSED}: {old} agrees, still holds and "
            f"is {ratio:,.0f} times finer, so it takes nothing from that (void the run "
            "of that to end it)"
        )


@dataclass(slots=True)
class ChecksInForce:
    """The checks of one instrument that stand at a time, as they came.

    `spec` may state the ageing that is added to each and the time base itself.
    `checks` hold and agree with the one that ruled when they came; `stated` is whether
    nothing has contradicted what the bench file states; `contradicted` are pairs of a
    check that ruled and the one that ended it, `comparisons` what each pair differs by,
    `wanders` what was known of the base's wander until then.
    """

    spec: InstrumentSpec | None
    checks: list[ReferenceCheck] = field(default_factory=list)
    stated: bool = True
    contradicted: list[tuple[ReferenceCheck, ReferenceCheck]] = field(
        default_factory=list
    )
    comparisons: list[CheckComparison] = field(default_factory=list, init=False)
    wanders: list[BaseWander] = field(default_factory=list, init=False)
    wander: BaseWander = field(init=False)
    _finer: list[ReferenceCheck] = field(default_factory=list, init=False)
    _all_hold_until_ns: float = field(default=math.inf, init=False)

    def __post_init__(self) -> None:
        self.wander = expected_wander(self.spec)

    def add_check(self, check: ReferenceCheck) -> None:
        """Take the next check, in the order of time."""
        opponent = self.contradicted_by(check)
        if opponent is not None:
            self.checks.clear()
            self._finer.clear()
            self.contradicted.append((opponent.older, check))
            self.comparisons.append(opponent)
            self.wanders.append(replace(self.wander))
        self.wander.learn(check, moved=opponent is not None)
        if not states_as_much(self.spec, check):
            self.stated = False
        while self._finer and self._outdone(self._finer[-1], check):
            self._finer.pop()
        self._finer.append(check)
        self.checks.append(check)
        until_ns = check.valid_until_utc_ns
        self._all_hold_until_ns = min(self._all_hold_until_ns, until_ns)

    def ruler(self, at_utc_ns: int) -> ReferenceCheck | None:
        """Return the newest that holds then and is not much worse than an older."""
        finest = self.finest(at_utc_ns)
        if finest is None:
            return None
        # No older one is finer than the finest, so that the most a check's U may be
        # is the same for all that are newer than it.
        u_ppm = COVERAGE * aged_u_ppm(self.spec, finest, at_utc_ns)
        most = MUCH_WORSE * min(self.stated_u_ppm, u_ppm)
        if u_ppm > most:
            return None
        for check in reversed(self.checks):
            if COVERAGE * aged_u_ppm(self.spec, check, at_utc_ns) <= most:
                return check
        return finest

    def finest(self, at_utc_ns: int) -> ReferenceCheck | None:
        """Return the finest that holds then, None where none does."""
        self._forget_before(at_utc_ns)
        if self.spec is None or not self.spec.timebase_ageing_ppm_per_year:
            return min(self._finer, key=attrgetter("u_ppm"), default=None)
        return min(
            self._finer,
            key=lambda one: aged_u_ppm(self.spec, one, at_utc_ns),
            default=None,
        )

    def contradicted_by(self, new: ReferenceCheck) -> CheckComparison | None:
        """Return how a new check contradicts the one that rules, or the finest."""
        for one in (self.ruler(new.at_utc_ns), self.finest(new.at_utc_ns)):
            if one is None:
                continue
            if not self.wander.agree(one, new, self.wander.error_rate):
                return beside(self.spec, one, new, self.wander)
        return None

    @property
    def stated_u_ppm(self) -> float:
        """Expanded, of what is stated and was never contradicted; else infinite."""
        return COVERAGE * stated_u_ppm(self.spec) if self.stated else math.inf

    def _forget_before(self, at_utc_ns: int) -> None:
        """Let go of what has run out; one comes after another in time."""
        if at_utc_ns <= self._all_hold_until_ns:
            return
        self.checks = [c for c in self.checks if at_utc_ns <= c.valid_until_utc_ns]
        self._finer = [c for c in self._finer if at_utc_ns <= c.valid_until_utc_ns]
        ends = (one.valid_until_utc_ns for one in self.checks)
        self._all_hold_until_ns = min(ends, default=math.inf)

    def _outdone(self, older: ReferenceCheck, new: ReferenceCheck) -> bool:
        """Whether an older check can never again be the finest beside a new one.

        The older one ages no less than the new one, so it stays the coarser.
        """
        if older.valid_until_utc_ns > new.valid_until_utc_ns:
            return False
        return aged_u_ppm(self.spec, older, new.at_utc_ns) > new.u_ppm


def standing_at(
    spec: InstrumentSpec | None, checks: Sequence[ReferenceCheck], at_utc_ns: int
) -> ChecksInForce:
    """Go through checks of one instrument up to a time; none voided, newest last."""
    standing = ChecksInForce(spec)
    for check in checks:
        if check.at_utc_ns > at_utc_ns:
            break
        standing.add_check(check)
    return standing


def ruling(
    spec: InstrumentSpec | None, checks: Sequence[ReferenceCheck], at_utc_ns: int
) -> ReferenceCheck | None:
    """Return the check that rules at a time, None where none does.

    `checks` are those of one instrument that were not voided, the newest last; `spec`
    may state the ageing that is added to each. For the rule see the module.
    """
    return standing_at(spec, checks, at_utc_ns).ruler(at_utc_ns)


def weighed(
    spec: InstrumentSpec | None, before: Sequence[ReferenceCheck], new: ReferenceCheck
) -> CheckComparison | None:
    """Hold a new check against those before it; None where no check rules."""
    standing = standing_at(spec, before, new.at_utc_ns)
    opponent = standing.contradicted_by(new)
    if opponent is not None:
        return opponent
    ruler, finest = standing.ruler(new.at_utc_ns), standing.finest(new.at_utc_ns)
    if ruler is None or finest is None:
        return None
    by_the_finest = beside(spec, finest, new, standing.wander)
    if not by_the_finest.in_use:
        return by_the_finest
    return beside(spec, ruler, new, standing.wander)


def beside(
    spec: InstrumentSpec | None,
    older: ReferenceCheck,
    newer: ReferenceCheck,
    wander: BaseWander | None = None,
) -> CheckComparison:
    """Hold a newer check against an older one.

    `wander` is what earlier checks tell of the base, None where there are none.
    """
    known = expected_wander(spec) if wander is None else wander
    u_old = COVERAGE * aged_u_ppm(spec, older, newer.at_utc_ns)
    u_new = COVERAGE * newer.u_ppm
    apart = newer.offset_ppm - older.offset_ppm
    apart -= known.drift_ppm(days_between(older, newer))
    allowed = known.allowed_ppm(older, newer, known.error_rate)
    agrees = abs(apart) <= allowed
    in_use = not agrees or u_new <= MUCH_WORSE * u_old
    return CheckComparison(
        older=older,
        older_u_ppm=u_old,
        newer_u_ppm=u_new,
        difference_ppm=apart,
        allowed_ppm=allowed,
        agrees=agrees,
        in_use=in_use,
    )


def stated_goes_on(
    spec: InstrumentSpec | None, before: Sequence[ReferenceCheck], new: ReferenceCheck
) -> str:
    """Say that what is stated rules beside a new check; empty where it does not."""
    standing = standing_at(spec, before, new.at_utc_ns)
    if standing.ruler(new.at_utc_ns) is not None:
        return ""
    standing.add_check(new)
    if spec is None or standing.ruler(new.at_utc_ns) is not None:
        return ""
    ratio = COVERAGE * new.u_ppm / standing.stated_u_ppm
    return (
        f"the +-{as_stated(abs(spec.timebase_ppm or 0.0))} ppm that timebase_ppm "
        "states for "
        f"{spec.name!r} agrees and is {ratio:,.0f} times finer, so it goes on"
    )
