"""Switching rules, from memory after ISO 2859-1:1999, 9.3 and 9.4."""

from dataclasses import replace

import pytest

from benchlog.verdict.lot.sampling_plan import plan_for
from benchlog.verdict.lot.sampling_table import Severity
from benchlog.verdict.lot.switching_rules import (
    LotOutcome,
    SwitchingState,
    after_lot,
    irregular,
    resumed,
    standing_after,
)

NORMAL, TIGHTENED, REDUCED = Severity.NORMAL, Severity.TIGHTENED, Severity.REDUCED
AQL = 1.0


def lots(decisions: str, **keywords: bool) -> SwitchingState:
    """Follow decisions, `A`ccepted or `R`ejected, each lot sampled as was asked."""
    standing = SwitchingState()
    for letter in decisions:
        standing = after_lot(standing, lot(standing, letter), **keywords)
    return standing


def lot(standing: SwitchingState, letter: str, failed: int | None = None) -> LotOutcome:
    plan = plan_for(1000, AQL, severity=standing.severity)  # J: normal Ac 2
    if failed is None:
        failed = 0 if letter == "A" else plan.reject
    return LotOutcome(plan, failed, letter == "A")


@pytest.mark.parametrize(
    ("decisions", "severity"),
    [
        ("", NORMAL),
        ("R", NORMAL),
        ("RR", TIGHTENED),
        ("RAAAR", TIGHTENED),
        ("RAAAAR", NORMAL),
        ("AAARR", TIGHTENED),
        ("RR" + "AAAA", TIGHTENED),
        ("RR" + "AAAAA", NORMAL),
        ("RR" + "AAAAR" + "AAAA", TIGHTENED),
        ("RR" + "AAAAR" + "AAAAA", NORMAL),
        ("RR" + "AAAAA" + "R", NORMAL),  # lots from before do not count again
    ],
)
def test_normal_and_tightened(decisions: str, severity: Severity) -> None:
    standing = lots(decisions)
    assert standing.severity is severity
    assert not standing.stopped
    assert standing.why


def test_five_rejected_while_tightened_stop_inspection() -> None:
    assert not lots("RR" + "RARAR" + "AR").stopped
    stopped = lots("RR" + "RARAR" + "ARR")
    assert stopped.stopped and "stop" in stopped.why
    again = resumed(stopped)
    assert (again.severity, again.stopped) == (TIGHTENED, False)
    assert again.rejected_tightened == 0
    assert resumed(again) is again


def test_ten_clean_lots_earn_reduced_inspection() -> None:
    """3 for each lot that the next tighter AQL accepts too: 30 after ten."""
    assert lots("A" * 9).score == 27
    earned = lots("A" * 10)
    assert earned.reduced_earned and earned.severity is NORMAL
    assert lots("A" * 10, reduced_wanted=True).severity is REDUCED
    assert not lots("A" * 9, reduced_wanted=True).reduced_earned


def test_score_falls_when_the_next_tighter_aql_would_have_rejected() -> None:
    """J at AQL 1.0 has Ac 2, at 0.65 Ac 1."""
    before = lots("AAA")
    assert after_lot(before, lot(before, "A", failed=1)).score == 12
    assert after_lot(before, lot(before, "A", failed=2)).score == 0
    assert after_lot(before, lot(before, "R")).score == 0


def test_score_grows_by_two_where_ac_is_0_or_1() -> None:
    plan = plan_for(200, 0.40)
    assert plan.accept == 0
    outcomes = [LotOutcome(plan, 0, True)] * 14
    assert standing_after(outcomes).score == 28
    more = [*outcomes, outcomes[0]]
    assert standing_after(more, reduced_wanted=True).severity is REDUCED


def test_reduced_ends_with_a_rejection_or_in_the_gap() -> None:
    reduced = lots("A" * 10, reduced_wanted=True)
    kept = after_lot(reduced, lot(reduced, "A"))
    assert kept.severity is REDUCED
    # J reduced at AQL 1.0: n = 32, Ac 1, Re 3
    assert after_lot(kept, lot(kept, "A", failed=1)).severity is REDUCED
    gap = after_lot(kept, lot(kept, "A", failed=2))
    assert (gap.severity, gap.score) == (NORMAL, 0)
    assert "between Ac and Re" in gap.why
    assert after_lot(kept, lot(kept, "R")).severity is NORMAL


def test_irregular_production_ends_reduced_and_clears_the_score() -> None:
    assert irregular(lots("A" * 10, reduced_wanted=True)).severity is NORMAL
    assert irregular(lots("AAAA")).score == 0


def test_the_tightest_aql_or_a_plan_of_ones_own_has_nothing_tighter() -> None:
    plan = replace(plan_for(1000, AQL), aql_percent=None)
    assert after_lot(SwitchingState(), LotOutcome(plan, 0, True)).score == 0
