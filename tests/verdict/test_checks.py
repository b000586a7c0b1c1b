"""Which of several checks of one counter rules: worked cases of the rule."""

from dataclasses import replace

import pytest

from benchlog.model import Identity, InstrumentSpec, ReferenceCheck
from benchlog.units import NS_PER_S
from benchlog.verdict.checks import beside, ruling, ruling_or_stale

DAY_NS = 86_400 * NS_PER_S
WHO = Identity("M,C,7,1", "M", "C", "7", "1")
SPEC = InstrumentSpec("counter", "scpi-counter")


def check(day, offset_ppm, expanded_ppm, *, days=30):
    at = day * DAY_NS
    until = at + days * DAY_NS
    return ReferenceCheck(WHO, offset_ppm, expanded_ppm / 2, "pps", at, until)


GOOD = check(1, 0.3, 0.001)
POOR = check(2, 0.9, 6.0)
CLOSE = check(2, 0.3005, 0.009)
MOVED = check(3, 0.5, 0.02)


@pytest.mark.parametrize(
    ("checks", "day", "ruler"),
    [
        ([], 5, None),
        ([GOOD], 0, None),
        ([GOOD], 5, GOOD),
        ([GOOD], 32, None),
        # the newest, as long as it is not much worse
        ([GOOD, CLOSE], 5, CLOSE),
        ([GOOD, POOR], 5, GOOD),
        # while the good one holds; then a poor one is better than none
        ([GOOD, POOR], 31, GOOD),
        ([GOOD, POOR], 32, POOR),
        ([POOR, check(4, 0.3, 0.001)], 5, check(4, 0.3, 0.001)),
        # they contradict each other: the newest, and what was before counts no more
        ([GOOD, MOVED], 5, MOVED),
        ([GOOD, replace(MOVED, valid_until_utc_ns=4 * DAY_NS)], 5, None),
        ([GOOD, MOVED, check(4, 0.3, 3.0)], 5, MOVED),
        ([GOOD, check(2, 100.0, 6.0)], 5, check(2, 100.0, 6.0)),
    ],
)
def test_which_check_rules(checks, day, ruler):
    assert ruling(SPEC, checks, day * DAY_NS) == ruler


def test_ageing_is_allowed_for():
    # 10 ppm a year make 0.027 ppm a day: after a day the fine one is no longer fine
    ageing = replace(SPEC, timebase_ageing_ppm_per_year=10.0)
    later = check(11, 0.4, 1.0)
    assert ruling(SPEC, [GOOD, later], 12 * DAY_NS) == GOOD
    assert ruling(ageing, [GOOD, later], 12 * DAY_NS) == later
    assert beside(SPEC, GOOD, replace(later, u_ppm=0.01)).agrees is False
    found = beside(ageing, GOOD, replace(later, u_ppm=0.01))
    assert found.agrees and found.in_use
    # rectangular: 2 * 10 ppm * 10 d / 365.25 d / sqrt(3)
    assert found.older_u_ppm == pytest.approx(0.3162, rel=1e-3)


def test_the_newest_that_holds_no_more_is_found_to_be_said():
    assert ruling_or_stale(SPEC, [GOOD, CLOSE], 99 * DAY_NS) == CLOSE
    assert ruling_or_stale(SPEC, [], 99 * DAY_NS) is None


def test_it_is_said_plainly():
    unused = beside(SPEC, GOOD, POOR)
    assert (unused.agrees, unused.in_use) == (True, False)
    assert "NOT USED" in unused.text and "6,000 times finer" in unused.text
    moved = beside(SPEC, GOOD, MOVED)
    assert (moved.agrees, moved.in_use) == (False, True)
    assert "CONTRADICTS" in moved.text and "+0.200 ppm" in moved.text
    assert "may have moved" in moved.text
    assert beside(SPEC, GOOD, CLOSE).text == ""
