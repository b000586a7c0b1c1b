"""Switching rules: how strictly the next lot of a supplier and part is sampled.

From memory, after ISO 2859-1:1999, 9.3 and 9.4 (MIL-STD-105E, 4.7 and 4.8 where they
agree):

- normal to tightened when 2 of 5 or fewer lots in a row were rejected;
- tightened to normal after 5 lots in a row accepted;
- tightened to a stop of inspection when 5 lots in all were rejected while it lasted;
  when the supplier has acted, tightened inspection begins anew;
- normal to reduced when the switching score reaches 30, production runs steadily and
  the buyer wants it. The score grows by 3 for a lot that would have been accepted with
  the AQL one step tighter (Ac 2 and more), by 2 for an accepted lot (Ac 0 or 1), and
  falls to 0 otherwise. MIL-STD-105E has a table of limit numbers in place of the score;
- reduced to normal when a lot is rejected, or accepted in the gap between Ac and Re, or
  production becomes irregular.

Only lots presented for the first time count; a lot that comes back does not.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from benchlog.verdict.lot.sampling_plan import Plan
from benchlog.verdict.lot.sampling_table import AQLS, Severity, cell

# REJECTIONS_TO_TIGHTEN, LOTS_LOOKED_BACK, ACCEPTED_TO_LOOSEN, REJECTIONS_TO_STOP,
# SCORE_FOR_REDUCED: source: ISO 2859-1, see above, from memory.
REJECTIONS_TO_TIGHTEN: Final = 2
LOTS_LOOKED_BACK: Final = 5
ACCEPTED_TO_LOOSEN: Final = 5
REJECTIONS_TO_STOP: Final = 5
SCORE_FOR_REDUCED: Final = 30


@dataclass(frozen=True, slots=True)
class LotOutcome:
    """One decided lot: the plan it was sampled with, its defectives, the decision."""

    plan: Plan
    failed: int
    accepted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchingState:
    """Where a supplier and part stand before the next lot.

    Parameters
    ----------
    severity : Severity
        For the next lot.
    stopped : bool
        Inspection is discontinued until the supplier has acted.
    score : int
        Switching score under normal inspection.
    recent : tuple of bool
        Accepted or not, the lots looked back on under the present severity.
    rejected_tightened : int
        Lots rejected since tightened inspection began.
    why : str
        What led here, in words.

    """

    severity: Severity = Severity.NORMAL
    stopped: bool = False
    score: int = 0
    recent: tuple[bool, ...] = ()
    rejected_tightened: int = 0
    why: str = "inspection begins as normal"

    @property
    def reduced_earned(self) -> bool:
        """Whether the score allows reduced inspection."""
        return self.severity is Severity.NORMAL and self.score >= SCORE_FOR_REDUCED


def standing_after(
    lots: Iterable[LotOutcome], *, reduced_wanted: bool = False
) -> SwitchingState:
    """Return the standing after lots in the order they came.

    `reduced_wanted` says that production is steady and reduced inspection is wanted.
    """
    standing = SwitchingState()
    for lot in lots:
        standing = after_lot(standing, lot, reduced_wanted=reduced_wanted)
    return standing


def after_lot(
    standing: SwitchingState, lot: LotOutcome, *, reduced_wanted: bool = False
) -> SwitchingState:
    """Return the standing after one more lot.

    A lot that was sampled otherwise than `standing` asked, because a person chose so,
    begins the count anew under the severity that was used; one that came after a stop
    says that the supplier has acted.
    """
    standing = _as_used(standing, lot.plan.severity)
    recent = (*standing.recent, lot.accepted)[-LOTS_LOOKED_BACK:]
    moved = replace(standing, recent=recent)
    match standing.severity:
        case Severity.NORMAL:
            return _after_normal(moved, lot, reduced_wanted)
        case Severity.TIGHTENED:
            return _after_tightened(moved, lot)
        case _:
            return _after_reduced(moved, lot)


def _as_used(standing: SwitchingState, used: Severity | None) -> SwitchingState:
    """Return the standing under which a lot was really sampled."""
    if standing.stopped:
        standing = resumed(standing)
    if used is None or used is standing.severity:
        return standing
    if standing.severity is Severity.REDUCED and used is Severity.NORMAL:
        return SwitchingState(
            score=standing.score, why="reduced was earned, normal chosen"
        )
    return SwitchingState(severity=used, why=f"{used} as a person chose")


def resumed(standing: SwitchingState) -> SwitchingState:
    """Return the standing when a stopped supplier has acted: tightened, anew."""
    if not standing.stopped:
        return standing
    return SwitchingState(
        severity=Severity.TIGHTENED, why="inspection resumes as tightened"
    )


def irregular(standing: SwitchingState) -> SwitchingState:
    """Return the standing when production has become irregular: not reduced."""
    if standing.severity is not Severity.REDUCED:
        return replace(standing, score=0)
    return SwitchingState(why="production is irregular: back to normal")


def _after_normal(
    standing: SwitchingState, lot: LotOutcome, reduced_wanted: bool
) -> SwitchingState:
    if standing.recent.count(False) >= REJECTIONS_TO_TIGHTEN:
        why = f"2 of the last {len(standing.recent)} lots were rejected: tightened"
        return SwitchingState(severity=Severity.TIGHTENED, why=why)
    score = standing.score + _gain(lot) if _gain(lot) else 0
    if score >= SCORE_FOR_REDUCED and reduced_wanted:
        why = f"switching score {score}: reduced"
        return SwitchingState(severity=Severity.REDUCED, score=score, why=why)
    why = f"normal, switching score {score} of {SCORE_FOR_REDUCED}"
    return replace(standing, score=score, why=why)


def _after_tightened(standing: SwitchingState, lot: LotOutcome) -> SwitchingState:
    if len(standing.recent) == ACCEPTED_TO_LOOSEN and all(standing.recent):
        return SwitchingState(why="5 lots in a row accepted: back to normal")
    rejected = standing.rejected_tightened + (not lot.accepted)
    if rejected >= REJECTIONS_TO_STOP:
        why = "5 lots rejected under tightened inspection: stop until improved"
        return replace(standing, rejected_tightened=rejected, stopped=True, why=why)
    why = f"tightened, {rejected} lots rejected since it began"
    return replace(standing, rejected_tightened=rejected, why=why)


def _after_reduced(standing: SwitchingState, lot: LotOutcome) -> SwitchingState:
    if not lot.accepted:
        return SwitchingState(why="a lot was rejected: back to normal")
    if lot.failed > lot.plan.accept:
        return SwitchingState(why="accepted between Ac and Re: back to normal")
    return replace(standing, why="reduced")


def _gain(lot: LotOutcome) -> int:
    """Return what a lot adds to the switching score, 0 to reset it."""
    if not lot.accepted:
        return 0
    if lot.plan.accept <= 1:
        return 2
    return 3 if _accepted_one_step_tighter(lot) else 0


def _accepted_one_step_tighter(lot: LotOutcome) -> bool:
    """Whether the defectives found would have passed at the next tighter AQL.

    From Ac = 2 on, the plan one column to the left is in the same row, with the same
    sample size. A plan of one's own, or the tightest AQL, has nothing tighter.
    """
    aql, letter = lot.plan.aql_percent, lot.plan.used_letter
    if aql is None or letter is None or aql == AQLS[0]:
        return False
    tighter = cell(letter, AQLS[AQLS.index(aql) - 1], Severity.NORMAL)
    return lot.failed <= tighter.accept
