"""Checks of a time base that nobody moved seldom contradict; a jump is told."""

from dataclasses import replace

import pytest
from seeds import seeded_generator
from tiers import seldom
from verdict.check_histories import DAY_NS, WHO, Cell, contradicting, history

from benchlog.model import InstrumentSpec
from benchlog.verdict.timebase.base_wander import (
    FALSE_ALARMS,
    FEWEST,
    expected_wander,
)
from benchlog.verdict.timebase.check_validity import timebase_now
from benchlog.verdict.timebase.governing_check import standing_at
from benchlog.verdict.timebase.known_timebase import timebase_for

SPEC = InstrumentSpec(name="c", driver="d", timebase_ppm=0.05)


@pytest.mark.parametrize("checks", [2, 30])
@pytest.mark.parametrize(
    "moves",
    [
        seldom({}),
        seldom({"walk_ppb": 0.5}),
        seldom({"afresh_ppb": 0.5}),
        {"walk_ppb": 0.5, "ageing_ppb": 0.5},
    ],
)
def test_a_base_that_nobody_moved_seldom_contradicts_itself(checks, moves):
    """Full table: CONTRADICTIONS.md. 60 histories: more than 4 at 1 % in 1 of 2,500."""
    cell = Cell(name="", stated_ppm=0.05, checks=checks, **moves)
    assert contradicting(cell, 60, seed=checks) <= 4 / 60


@pytest.mark.parametrize(("jump_ppb", "walk_ppb"), [(1.0, 0.0), (10.0, 0.5)])
def test_a_base_that_was_moved_is_told(jump_ppb, walk_ppb):
    cell = Cell(
        name="", stated_ppm=0.05, checks=10, walk_ppb=walk_ppb, jump_ppb=jump_ppb
    )
    assert contradicting(cell, 20, seed=4) >= 0.9


def test_the_rates_of_all_pairs_add_up_to_what_is_promised():
    wander = expected_wander(SPEC)
    rates = []
    for one in range(1, 2000):
        wander.checks = one
        rates.append(2 * wander.error_rate)  # the one that rules, and the finest
    assert sum(rates) == pytest.approx(FALSE_ALARMS, rel=1e-3)


def test_what_was_learnt_is_a_part_of_the_uncertainty():
    """A walk of 2 ppb in the root of a day: after 9 days 6 ppb rms."""
    cell = Cell(name="", stated_ppm=0.05, checks=40, walk_ppb=2.0)
    checks = history(cell, seeded_generator(8))
    at_ns = checks[-1].at_utc_ns + 9 * DAY_NS
    base = timebase_now(SPEC, checks, at_ns)
    assert 4e-3 < base.u_ppm < 9e-3
    assert "wander since then" in base.text and "40 checks" in base.text
    few = timebase_now(SPEC, checks[: FEWEST - 1], at_ns - 38 * DAY_NS)
    assert "wander" not in few.text


def test_wander_over_a_longer_time_is_larger():
    cell = Cell(name="", stated_ppm=0.05, checks=20, walk_ppb=2.0)
    wander = standing_at(SPEC, history(cell, seeded_generator(2)), 10**18).wander
    assert wander.u_ppm(100.0) > 1.5 * wander.u_ppm(10.0) > 0.0


def test_a_base_is_not_exact_because_0_is_written():
    base = timebase_for(replace(SPEC, timebase_ppm=0.0), None, 0)
    assert base.status == "assumed" and base.u_ppm == pytest.approx(1 / 3**0.5)
    assert "timebase_ppm = 0 is no promise" in base.text


def test_checks_of_another_makers_counter_of_the_same_number_do_not_count():
    from verdict.test_governing_check import GOOD, MOVED, run_by

    from benchlog.verdict.timebase.check_validity import as_known

    other = replace(MOVED, instrument=replace(WHO, maker="OTHER"))
    assert as_known(run_by(GOOD), [GOOD, MOVED]).timebase.doubt
    assert not as_known(run_by(GOOD), [GOOD, other]).timebase.doubt
