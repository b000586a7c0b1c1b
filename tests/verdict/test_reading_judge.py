"""From readings to a verdict, its reasons and its JSON."""

import json
import math

import numpy as np
import pytest
from columns_maker import columns, without
from seeds import seeded_generator

from benchlog.evaluation.document import figures
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.model import (
    Decision,
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
from benchlog.verdict import (
    is_clear,
    limit_for,
    timebase_for,
)
from benchlog.verdict.run.judges import judge_for
from benchlog.verdict.run.reading_judge import RunJudge

LIMITS = Limits(
    tolerance_ppm=30, stability_ppm=50, range_c=(-10, 70), ageing_ppm_per_year=5
)
PART = Part(
    id="quartz", title="16 MHz", kind=Kind.QUARTZ, nominal_hz=16e6, limits=LIMITS
)
DAY_NS = 86_400 * NS_PER_S


def readings(ppm, n=30, scatter=0.01, seed=4, **more):
    noise = scatter * seeded_generator(seed).standard_normal(n)
    return columns(16e6 * (1 + (ppm + noise) * 1e-6), **more)


def assessed(ppm, *, part=PART, n=30, scatter=0.01, timebase=None, **more):
    judge = RunJudge(part, timebase=timebase, resolution_hz=0.1)
    judge.feed(readings(ppm, n, scatter, **more))
    return judge.assessment()


# --- limit ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ambient", "ppm", "inside", "promised"),
    [
        ((24, 25, 26), 30, True, True),
        ((22, 25, 28), 30, True, True),
        ((21.9, 25, 26), 30, False, True),
        ((25, 26, 28.1), 30, False, True),
        ((-11, 0, 10), 30, False, False),
        ((60, 65, 71), 30, False, False),
        (None, 30, None, True),
    ],
)
def test_limit(ambient, ppm, inside, promised):
    found = limit_for(PART, ambient)
    assert (found.ppm, found.inside, found.promised) == (ppm, inside, promised)


def test_over_temperature_the_limit_is_wider_only_when_asked():
    found = limit_for(PART, (25, 25, 25), over_temperature=True)
    assert (found.ppm, found.text) == (80, "tolerance 30 ppm + stability 50 ppm")


def test_limit_with_a_horizon():
    assert limit_for(PART, (25, 25, 25), 10).ppm == 80  # 5 ppm a year beside 30
    assert "ageing 50 ppm in 10 years" in limit_for(PART, None, 10).text
    silent = Part(
        id="x",
        title="x",
        kind=Kind.RC,
        nominal_hz=8e6,
        limits=Limits(tolerance_ppm=100_000),
    )
    assert "no ageing" in limit_for(silent, (25, 25, 25), 1).reasons[-1]


def test_no_stability_promised():
    bare = Part(
        id="x",
        title="x",
        kind=Kind.RC,
        nominal_hz=8e6,
        limits=Limits(tolerance_ppm=100_000),
    )
    found = limit_for(bare, (30, 31, 32), over_temperature=True)
    assert (found.ppm, found.promised) == (100_000, True)
    assert "states no stability" in found.reasons[0]


# --- time base --------------------------------------------------------------------


def check(**more):
    who = Identity("c", serial="1")
    given = {"instrument": who, "offset_ppm": 0.2, "u_ppm": 0.01, "method": "pps"}
    given |= {"at_utc_ns": 0, "valid_until_utc_ns": 30 * DAY_NS}
    return ReferenceCheck(**(given | more))


def spec(**more):
    return InstrumentSpec(name="counter", driver="scpi-counter", **more)


def test_a_valid_check_comes_first():
    found = timebase_for(spec(timebase_ppm=5.0), check(), DAY_NS)
    assert (found.status, found.offset_ppm, found.u_ppm) == ("checked", 0.2, 0.01)
    assert found.valid_until_utc_ns == 30 * DAY_NS


def test_ageing_since_the_check_is_added():
    year_ns = round(365.25 * DAY_NS)
    found = timebase_for(
        spec(timebase_ageing_ppm_per_year=0.1),
        check(valid_until_utc_ns=2 * year_ns),
        year_ns,
    )
    assert found.u_ppm == pytest.approx(math.hypot(0.01, 0.1 / math.sqrt(3)))


def test_stated_is_rectangular():
    found = timebase_for(spec(timebase_ppm=0.05), None, 0)
    assert found.status == "stated"
    assert found.u_ppm == pytest.approx(0.05 * 0.5773502692)  # GUM 4.3.7


def test_stale_checks_and_nothing_at_all():
    # 0.2 +- 0.02 ppm was found where +-0.05 ppm is stated: that is not taken again
    stale = timebase_for(spec(timebase_ppm=0.05), check(), 31 * DAY_NS)
    assert (stale.status, stale.offset_ppm, stale.stale) == ("checked", 0.2, True)
    # 1 ppm a year, rectangular, over 31 days
    grown = math.hypot(0.01, 31 / 365.25 / math.sqrt(3))
    assert stale.u_ppm == pytest.approx(grown)
    assert "has expired" in stale.text and "usual ageing" in stale.text
    # a statement that agrees is taken where it is the finer
    fine = spec(timebase_ppm=0.3)
    agreed = timebase_for(fine, check(offset_ppm=0.1), round(2 * 365.25 * DAY_NS))
    assert (agreed.status, agreed.stale) == ("stated", True)
    nothing = timebase_for(spec(), None, 0)
    assert (nothing.status, nothing.valid_until_utc_ns) == ("assumed", None)
    assert nothing.u_ppm == pytest.approx(1 / math.sqrt(3))


# --- correction and verdict -------------------------------------------------------


def test_a_fast_time_base_reads_low():
    """f_true = f_read (1 + y): a counter 2 ppm fast that reads 10 ppm means 12 ppm."""
    fast = Timebase(status="checked", offset_ppm=2.0, u_ppm=0.01)
    found = assessed(10, timebase=fast, scatter=1e-6)
    assert found.offset_ppm == pytest.approx(12 + 2e-5, abs=1e-5)
    true_hz = 16e6 * (1 + 10e-6) * (1 + 2e-6)
    assert found.offset_ppm == pytest.approx((true_hz / 16e6 - 1) * 1e6, abs=1e-5)


@pytest.mark.parametrize(
    ("ppm", "word"),
    [(-9.25, Decision.PASS), (29.5, Decision.UNDECIDED), (-31.5, Decision.FAIL)],
)
def test_words(ppm, word):
    found = assessed(ppm)
    assert found.word is word
    assert found.u_ppm == pytest.approx(0.95, rel=0.01)  # of +-1 ppm, a bound
    assert found.timebase.status == "assumed"
    assert any("assumed" in reason for reason in found.reasons)


def test_budget_lines_are_visible():
    found = assessed(0)
    assert [line.name for line in found.budget.lines] == [
        "time base",
        "resolution",
        "statistics",
    ]
    together = math.hypot(*(line.u_ppm for line in found.budget.lines))
    assert found.budget.u_ppm == pytest.approx(together)
    assert found.u_ppm == found.budget.k * found.budget.u_ppm


@pytest.mark.parametrize("n", [0, 1])
def test_too_few_readings(n):
    found = assessed(5, n=n)
    assert found.word is Decision.UNDECIDED
    assert (found.u_ppm, found.budget, found.conformance) == (None, None, None)
    assert any("at least 2" in reason for reason in found.reasons)


def test_no_two_readings_follow_each_other():
    judge = RunJudge(PART)
    judge.feed(without(readings(5, 41), [at for at in range(40) if at % 4]))
    found = judge.assessment()
    assert found.word is Decision.UNDECIDED
    assert any("no two of them follow" in reason for reason in found.reasons)


def test_suspect_readings():
    most = assessed(5, n=10, flags=[16] * 6 + [0] * 4)
    assert most.word is Decision.UNDECIDED
    assert "check divider / trigger level" in most.reasons[0]
    few = assessed(5, n=10, flags=[16] * 5 + [0] * 5)
    assert few.word is Decision.PASS
    assert "suspect" in few.reasons[0]


def odd_one_out(times, n=201, limits=None):
    f = 16e6 * (1 + 1e-8 * seeded_generator(3).standard_normal(n))
    f[120] *= times
    part = Part(
        id="x",
        title="x",
        kind=Kind.QUARTZ,
        nominal_hz=16e6,
        limits=limits or Limits(tolerance_ppm=30, jitter_ppm=0.5),
    )
    judge = RunJudge(part, resolution_hz=0.1)
    flags = np.zeros(n, dtype=np.int64)
    flags[120] = 16 if times == 2 else 0
    judge.feed(columns(f, flags=flags))
    return judge.assessment()


@pytest.mark.parametrize("times", [2, 1.3, 1.00001])
def test_one_odd_reading_does_not_decide(times):
    """No silent leaving out: figures are of all readings, the word is undecided."""
    found = odd_one_out(times)
    assert found.word is Decision.UNDECIDED
    assert found.stats.n == 201
    assert found.jitter.word is Decision.FAIL
    assert (found.outliers.n, found.outliers.with_them) == (1, Decision.FAIL)
    assert found.outliers.without.word is Decision.PASS
    said = next(one for one in found.reasons if "depends on the outliers" in one)
    assert "with them fail, without them pass" in said
    assert figures(Evaluation(run=run(), assessment=found))["outliers"] == 1


def test_an_odd_reading_that_changes_nothing_is_named():
    found = odd_one_out(1.00004, limits=Limits(tolerance_ppm=30))
    assert found.word is Decision.PASS
    assert any("1 of 201 readings are outliers" in text for text in found.reasons)
    assert not any("decide" in text for text in found.reasons)


def test_a_device_that_fails_without_its_odd_readings_fails():
    found = odd_one_out(1.3, limits=Limits(tolerance_ppm=30, jitter_ppm=0.001))
    assert (found.word, found.outliers.n) == (Decision.FAIL, 1)


def test_ambient_is_said():
    unknown = assessed(5, ambient_c=np.nan)
    assert unknown.limit.inside is None
    assert any("not known" in reason for reason in unknown.reasons)
    outside = assessed(5, ambient_c=90.0)
    assert not outside.limit.promised
    assert any("promises nothing" in reason for reason in outside.reasons)
    typed = assessed(5, flags=4)
    assert any("operator stated" in reason for reason in typed.reasons)


def test_a_part_of_another_frequency_is_asked_about():
    twenty = Part(
        id="x", title="20 MHz", kind=Kind.QUARTZ, nominal_hz=20e6, limits=LIMITS
    )
    judge = RunJudge(twenty)
    judge.feed(columns(np.linspace(16e6 + 150, 16e6 + 151, 20)))
    found = judge.assessment()
    assert found.word is Decision.FAIL
    asked = "it runs near 16 MHz, the part at 20 MHz: is this the right part"
    assert asked in found.reasons[0], "the most telling comes first"
    assert not any("right part" in reason for reason in assessed(500).reasons)


@pytest.mark.parametrize(
    ("read_hz", "divider", "guess"),
    [
        (1e6, 1.0, "is the divider 16, not 1? Then it is +6"),
        (1e6, 8.0, "is the divider 16, not 8? Then it is +6"),
        (1e6, 32.0, "is the divider 16, not 32? Then it is +6"),
        (32e6, 1.0, "trigger 2 times in a cycle (trigger level)"),
        (1.03e6, 1.0, "is this the right part"),  # no whole divider gives 16 MHz
    ],
)
def test_a_forgotten_divider_is_guessed_first(read_hz, divider, guess):
    judge = RunJudge(PART, divider=divider)
    judge.feed(columns(np.linspace(read_hz, read_hz + 1e-3, 20) * (1 + 6e-6)))
    assert guess in judge.assessment().reasons[0]


@pytest.mark.parametrize(
    ("read_hz", "unit"), [(16.0001, "MHz"), (16_000.1, "kHz"), (16e9, "mHz")]
)
def test_readings_in_another_unit_are_not_judged(read_hz, unit):
    judge = RunJudge(PART)
    judge.feed(columns(np.full(20, read_hz)))
    found = judge.assessment()
    assert found.word is Decision.UNDECIDED
    assert f"are they in {unit}, not Hz?" in found.reasons[0]
    wrong = RunJudge(PART)
    noise = 1 + 1e-8 * seeded_generator(1).standard_normal(20)
    wrong.feed(columns(read_hz * 1.03 * noise))  # a device of another part
    assert wrong.assessment().word is Decision.FAIL


def test_whole_numbers_are_no_guess_where_a_part_is_coarse():
    """At 10 % every frequency lies near some divider: nothing is foretold of it."""
    loose = Part(
        id="x",
        title="8 MHz",
        kind=Kind.RC,
        nominal_hz=8e6,
        limits=Limits(tolerance_ppm=100_000),
    )
    judge = RunJudge(loose)
    judge.feed(columns(np.linspace(1e6, 1e6 + 1, 20)))
    said = judge.assessment().reasons[0]
    assert "is this the right part" in said and "not 1?" not in said


def test_gaps_in_plain_words_and_no_limit_says_nothing_of_limits():
    judge = RunJudge(
        Part(
            id="x",
            title="x",
            kind=Kind.OTHER,
            nominal_hz=16e6,
            limits=Limits(tolerance_ppm=math.inf),
        )
    )
    judge.feed(without(readings(5, 41, ambient_c=np.nan), [20]))
    said = judge.assessment().reasons
    assert any("1 gap, where readings are missing" in reason for reason in said)
    assert any("no limit is known" in reason for reason in said)
    assert not any("tolerance holds" in reason for reason in said)


def test_jitter_limit_takes_part():
    strict = Part(
        id="x",
        title="x",
        kind=Kind.QUARTZ,
        nominal_hz=16e6,
        limits=Limits(tolerance_ppm=30, jitter_ppm=0.001),
    )
    found = assessed(0, part=strict)
    assert (found.word, found.jitter.word) == (Decision.FAIL, Decision.FAIL)
    assert found.reasons[0] == found.jitter.text, "what decides is told first"
    generous = Part(
        id="x",
        title="x",
        kind=Kind.QUARTZ,
        nominal_hz=16e6,
        limits=Limits(tolerance_ppm=30, jitter_ppm=1.0),
    )
    passed = assessed(0, part=generous)
    assert passed.word is Decision.PASS
    assert passed.reasons[0].startswith("offset ")
    near = Part(
        id="x",
        title="x",
        kind=Kind.QUARTZ,
        nominal_hz=16e6,
        limits=Limits(tolerance_ppm=30, jitter_ppm=0.0105),
    )
    assert assessed(0, part=near).word is Decision.UNDECIDED


def test_a_room_that_changes_is_no_jitter():
    """Scatter 0.003 ppm over a swing of 2 ppm: rms about a line 0.7, limit 0.5 ppm."""
    part = Part(
        id="x",
        title="x",
        kind=Kind.QUARTZ,
        nominal_hz=16e6,
        limits=Limits(tolerance_ppm=30, jitter_ppm=0.5),
    )
    judge, n = RunJudge(part, resolution_hz=0.001), 1200
    noise = 0.003 * seeded_generator(9).standard_normal(n)
    swing = 1.0 - np.cos(2 * np.pi * np.arange(n) / n)
    judge.feed(columns(16e6 * (1 + 1e-6 * (swing + noise))))
    found = judge.assessment()
    assert (found.word, found.jitter.word) == (Decision.PASS, Decision.PASS)
    assert found.stats.jitter_ppm_rms == pytest.approx(0.707, rel=0.01)
    assert found.stats.scatter_ppm == pytest.approx(0.0042, rel=0.1)
    assert any("the jitter limit of 0.5 ppm is met" in why for why in found.reasons)
    assert (
        figures(Evaluation(run=run(), assessment=found))["scatter_ppm_gate"]
        == found.stats.scatter_ppm
    )
    restless = 0.9 * seeded_generator(9).standard_normal(n)
    judge = RunJudge(part, resolution_hz=0.001)
    judge.feed(columns(16e6 * (1 + 1e-6 * (swing + restless))))
    assert judge.assessment().jitter.word is Decision.FAIL


def test_readings_all_alike_leave_the_other_lines():
    found = assessed(0, scatter=0.0)
    assert found.word is Decision.PASS
    assert found.budget.lines[2].u_ppm == 0.0


def test_clear():
    assert is_clear(assessed(0), 10)
    assert not is_clear(assessed(0, n=9), 10)
    assert not is_clear(assessed(29.9), 10)


# --- JSON --------------------------------------------------------------------------

CONTRACT = [
    "run",
    "device",
    "part",
    "nominal_hz",
    "readings",
    "gaps",
    "offset_ppm",
    "u_ppm",
    "jitter_ppm_rms",
    "jitter_ppm_pp",
    "ambient_c",
    "limit_ppm",
    "verdict",
    "conformance",
    "timebase",
]


def run(**more):
    given = {"id": 7, "purpose": Purpose.MEASURE, "device": "Q-17 é", "part": PART}
    given |= {"position": "A", "bench": "b", "nominal_hz": 16e6, "divider": 1.0}
    given |= {"simulated": False, "started_utc_ns": 1_900_000_000 * NS_PER_S}
    return Run(**(given | {"ended_utc_ns": None, "ended_how": None} | more))


@pytest.mark.parametrize("n", [0, 1, 2, 50])
def test_figures_hold_the_contract(n):
    judge = judge_for(run(resolution_hz=0.1))
    judge.feed(readings(-9.25, n, ambient_c=np.nan, flags=1))
    found = figures(Evaluation(run=run(), assessment=judge.assessment()))
    assert set(CONTRACT) <= set(found)
    assert list(found)[: len(CONTRACT)] == CONTRACT
    again = json.loads(json.dumps(found, allow_nan=False))
    assert again == found
    assert found["ambient_c"] == {"mean": None, "min": None, "max": None}
    assert set(found["timebase"]) >= {"status", "offset_ppm", "u_ppm", "valid_until"}
    assert found["simulated"] is (n > 0)
    assert found["readings"] == n
    assert found["verdict"] in ("pass", "fail", "undecided")
    if n == 50:
        assert found["offset_ppm"] == pytest.approx(-9.25, abs=0.01)
        assert found["seconds_per_day"] == pytest.approx(-0.7992, abs=1e-3)
        assert found["jitter_hz_rms"] == pytest.approx(0.16, rel=0.3)
        assert [line["name"] for line in found["budget"]["lines"]]


def test_figures_take_the_run_s_time_base_and_divider():
    base = Timebase(
        status="checked",
        offset_ppm=1.0,
        u_ppm=0.1,
        valid_until_utc_ns=1_900_086_400 * NS_PER_S,
    )
    divided = run(timebase=base, divider=16.0)
    judge = judge_for(divided)
    judge.feed(columns(1e6 * (1 + 1e-9 * seeded_generator(1).standard_normal(20))))
    found = figures(Evaluation(run=divided, assessment=judge.assessment()))
    assert found["offset_ppm"] == pytest.approx(1.0, abs=0.01)
    assert found["timebase"]["status"] == "checked"
    assert found["timebase"]["valid_until"] == "2030-03-18T17:46:40.000Z"


# --- speed --------------------------------------------------------------------------


def test_figures_are_worked_out_once_until_more_is_fed():
    judge = RunJudge(PART, resolution_hz=0.1)
    judge.feed(readings(3.0))
    found = judge.assessment()
    assert judge.assessment() is found
    judge.resolution_hz = 100.0
    coarse = judge.assessment()
    assert coarse is not found and coarse.digit_ppm > found.digit_ppm
    judge.feed(readings(3.0, n=1))
    assert judge.assessment().stats.n == 31
