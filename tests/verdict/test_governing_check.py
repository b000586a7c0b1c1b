"""Which of several checks of one counter rules: worked cases of the rule."""

from dataclasses import replace

import pytest
from seeds import seeded_random

from benchlog.model import (
    Identity,
    InstrumentSpec,
    Kind,
    Limits,
    Part,
    Purpose,
    ReferenceCheck,
    Run,
    Timebase,
)
from benchlog.units import NS_PER_S
from benchlog.verdict.timebase.check_validity import (
    VOIDED,
    all_as_known,
    as_known,
    timebase_now,
)
from benchlog.verdict.timebase.governing_check import (
    MUCH_WORSE,
    beside,
    ruling,
    stated_goes_on,
    weighed,
)
from benchlog.verdict.timebase.known_timebase import timebase_by

DAY_NS = 86_400 * NS_PER_S
WHO = Identity("M,C,7,1", "M", "C", "7", "1")
SPEC = InstrumentSpec(name="counter", driver="scpi-counter")


def check(day, offset_ppm, expanded_ppm, *, days=30):
    at = day * DAY_NS
    until = at + days * DAY_NS
    return ReferenceCheck(
        instrument=WHO,
        offset_ppm=offset_ppm,
        u_ppm=expanded_ppm / 2,
        method="pps",
        at_utc_ns=at,
        valid_until_utc_ns=until,
    )


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
    # rectangular: 1.96 * 10 ppm * 10 d / 365.25 d / sqrt(3)
    assert found.older_u_ppm == pytest.approx(0.3098, rel=1e-3)


def test_the_newest_that_holds_no_more_is_found_to_be_said():
    assert timebase_now(SPEC, [GOOD, CLOSE], 99 * DAY_NS).stale
    assert not timebase_now(SPEC, [], 99 * DAY_NS).stale


def test_a_check_in_between_lets_no_poor_one_in():
    # two that ran side by side: 9 times, then 81 times the U of the good one; whichever
    # is stored first, the poorer is not used
    middle, poorer = check(2, 0.3, 0.009), check(3, 0.3, 0.08)
    assert ruling(SPEC, [GOOD, middle, poorer], 5 * DAY_NS) == middle
    for before in ([GOOD], [GOOD, middle]):
        found = weighed(SPEC, before, poorer)
        assert not found.in_use and found.older == GOOD
        assert "80 times finer" in found.text and "as things stand now" in found.text
    assert weighed(SPEC, [GOOD], middle).in_use


def test_what_is_stated_counts_as_the_oldest_check():
    stated = replace(SPEC, timebase_ppm=0.05)
    poor, fair, other = check(2, -156.0, 341.0), check(3, 0.01, 0.2), check(1, 0.9, 0.2)
    base = timebase_now(stated, [poor], 5 * DAY_NS)
    assert (base.status, base.offset_ppm) == ("stated", 0.0)
    assert "+- 334 ppm) agrees and is too coarse to replace it" in base.text
    # U of +-0.05 ppm rectangular: 2 * 0.05 / sqrt(3) = 0.0577 ppm
    assert "5,906 times finer" in stated_goes_on(stated, [], poor)
    for checks, rules in (([poor, fair], fair), ([other, poor], other)):
        assert ruling(stated, checks, 5 * DAY_NS) == rules
        assert stated_goes_on(stated, checks[:-1], fair) == ""
    # a statement that a check contradicted does not come back when that has run out
    assert ruling(stated, [other, check(20, 5.0, 341.0)], 40 * DAY_NS).u_ppm == 170.5
    assert ruling(SPEC, [poor], 5 * DAY_NS) == poor


AFTER_MOVED, AFTER_GOOD = check(4, 0.505, 0.02), check(4, 0.301, 0.02)


@pytest.mark.parametrize(
    ("held", "checks", "said"),
    [
        (GOOD, [GOOD], ""),
        (GOOD, [GOOD, CLOSE], ""),
        (MOVED, [GOOD, MOVED], "contradicts the one before it by +0.200 ppm"),
        (GOOD, [GOOD, MOVED], "is contradicted by the one after it by +0.200 ppm"),
        # a third that agrees with one of them settles it; one too poor does not
        (MOVED, [GOOD, MOVED, AFTER_MOVED], ""),
        (GOOD, [GOOD, MOVED, AFTER_MOVED], ""),
        (MOVED, [GOOD, MOVED, check(4, 0.4, 3.0)], "check again"),
        (AFTER_GOOD, [GOOD, MOVED, AFTER_GOOD], ""),
        (GOOD, [GOOD, MOVED, AFTER_GOOD], ""),
        (MOVED, [GOOD, MOVED, AFTER_GOOD], "checks before and after it agree"),
    ],
)
def test_a_contradiction_is_carried_until_it_is_settled(held, checks, said):
    doubt = as_known(run_by(held), checks).timebase.doubt
    assert said in doubt and bool(said) == bool(doubt)


def test_a_run_says_that_its_check_was_voided():
    gone = replace(MOVED, void="wired wrongly")
    run = as_known(run_by(MOVED), [GOOD, gone])
    assert run.timebase.doubt == (
        f"{VOIDED} (wired wrongly); judge it again with "
        "`benchlog judge 7 --refcheck latest`"
    )
    assert run.timebase.offset_ppm == MOVED.offset_ppm
    # what was doubted because of it is doubted no more
    assert as_known(run_by(GOOD), [GOOD, gone]).timebase.doubt == ""


def test_a_run_begun_now_says_that_its_check_contradicts():
    assert "one before it" in timebase_now(SPEC, [GOOD, MOVED], 4 * DAY_NS).doubt
    assert timebase_now(SPEC, [GOOD, MOVED], 2 * DAY_NS).doubt == ""


def test_many_runs_are_known_as_one_is():
    checks = [GOOD, CLOSE, MOVED, AFTER_GOOD, replace(POOR, void="wired wrongly")]
    runs = [run_by(one) for one in checks]
    known = all_as_known(runs, checks)
    assert known == [as_known(run, checks) for run in runs]
    assert [bool(run.timebase.doubt) for run in known] == [
        False, False, True, False, True,
    ]  # fmt: skip


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("ageing", [None, 10.0])
def test_the_one_that_rules_is_found_as_the_rule_says_it(seed, ageing):
    # the rule gone through plainly: all that hold, from the oldest to the newest
    rng = seeded_random(seed)
    spec = replace(SPEC, timebase_ageing_ppm_per_year=ageing)
    checks = [
        check(day, 0.3, 10 ** rng.uniform(-3, 1), days=rng.choice([5, 30, 90]))
        for day in range(1, 40)
    ]
    ruler, best = None, float("inf")
    for one in checks:
        u_ppm = timebase_by(spec, one, 40 * DAY_NS).u_ppm
        if one.valid_until_utc_ns >= 40 * DAY_NS:
            ruler = one if u_ppm <= MUCH_WORSE * best else ruler
            best = min(best, u_ppm)
    assert ruling(spec, checks, 40 * DAY_NS) == ruler


def run_by(held):
    part = Part(
        id="p",
        title="P",
        kind=Kind.OTHER,
        nominal_hz=16e6,
        limits=Limits(tolerance_ppm=30.0),
    )
    base = Timebase(
        status="checked",
        offset_ppm=held.offset_ppm,
        u_ppm=held.u_ppm,
        valid_until_utc_ns=held.valid_until_utc_ns,
    )
    return Run(
        id=7, purpose=Purpose.MEASURE, device="D", part=part, position="1", bench="b",
        nominal_hz=16e6, divider=1.0, simulated=False, started_utc_ns=0, ended_utc_ns=1,
        ended_how="stopped",
        identities={"counter": WHO}, timebase=base,
    )  # fmt: skip


def test_it_is_said_plainly():
    unused = beside(SPEC, GOOD, POOR)
    assert (unused.agrees, unused.in_use) == (True, False)
    assert "NOT USED" in unused.text and "6,000 times finer" in unused.text
    moved = beside(SPEC, GOOD, MOVED)
    assert (moved.agrees, moved.in_use) == (False, True)
    assert "CONTRADICTS" in moved.text and "+0.200 ppm" in moved.text
    assert "may have moved" in moved.text
    assert beside(SPEC, GOOD, CLOSE).text == ""
