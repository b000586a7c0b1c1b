"""Reference checks: signs in all ways, missed pulses, drift, how long a check holds."""

import math
from dataclasses import replace

import numpy as np
import pytest
from columns_maker import columns
from pulse_makers import Host, Source, feed, trains
from seeds import seeded_generator

from benchlog.analysis.pulses.grid import PulseTracker
from benchlog.analysis.pulses.trains import against
from benchlog.errors import DataError
from benchlog.model import (
    Decision,
    Identity,
    InstrumentSpec,
    Kind,
    Limits,
    Part,
    ReferenceCheck,
    ReferenceSpec,
    Timebase,
)
from benchlog.units import NS_PER_S
from benchlog.verdict.run.measuring_advice import GATES_S, advise, pulse_time_s
from benchlog.verdict.run.reading_judge import RunJudge
from benchlog.verdict.timebase.check_doubts import refusals
from benchlog.verdict.timebase.check_validity import due_words
from benchlog.verdict.timebase.control_chart import control_chart
from benchlog.verdict.timebase.known_timebase import timebase_for
from benchlog.verdict.timebase.reference_check import (
    by_pulses,
    by_readings,
    days_it_holds,
)

PERIOD = ReferenceSpec(counter="counter", nominal_hz=1.0, input=2, u_s=5e-8)
FREQUENCY = ReferenceSpec(counter="counter", nominal_hz=10e6, input=2, u_ppm=1e-4)
PULSES = ReferenceSpec(counter="counter", pulses="gps", timebase="tb", u_s=5e-8)
COUNTER = InstrumentSpec(name="counter", driver="scpi-counter", timebase_ppm=0.5)
DAY_NS = 86_400 * NS_PER_S


def read_by(timebase_ppm, reference, n=300, *, noise=1e-9, warmup=0.0, seed=1):
    """Readings of a perfect reference by a counter that is off."""
    rng = seeded_generator(seed)
    t = np.arange(n)
    y = (timebase_ppm + warmup * np.exp(-t / 200.0)) * 1e-6
    hz = reference.nominal_hz / (1 + y) * (1 + noise * rng.standard_normal(n))
    return columns(hz, gate_s=1.0)


@pytest.mark.parametrize("reference", [PERIOD, FREQUENCY], ids=["period", "frequency"])
@pytest.mark.parametrize("timebase_ppm", [0.5, -0.5])
def test_a_counter_that_looks_at_the_reference(reference, timebase_ppm):
    found = by_readings(read_by(timebase_ppm, reference), reference, COUNTER, 1e-9)
    assert found.offset_ppm == pytest.approx(timebase_ppm, abs=2 * found.u_ppm)
    assert found.u_ppm < 0.002
    assert (found.pulses, found.missed, found.set_aside) == (300, 0, 0)
    assert not list(refusals(found))


@pytest.mark.parametrize("timebase_ppm", [0.5, -0.5])
def test_pulses_of_the_time_base(timebase_ppm):
    rng = seeded_generator(2)
    host = Host(ppm=40, wander_ppm=0.2, jitter_s=50e-6)
    stamps = trains([Source(timebase_ppm, phase_s=0.3), Source()], host, 1200, rng)
    trackers = [PulseTracker(1.0) for _ in stamps]
    for tracker, train in zip(trackers, stamps, strict=True):
        feed(tracker, train)
    ours, theirs = (tracker.train() for tracker in trackers)
    counts = tuple(tracker.counts() for tracker in trackers)
    found = by_pulses(against(ours, theirs), counts, PULSES, COUNTER)
    assert found.offset_ppm == pytest.approx(timebase_ppm, abs=2 * found.u_ppm)
    assert found.u_ppm < 0.02
    assert "'tb'" in found.method


def test_missed_and_doubled_pulses_are_left_out_and_counted():
    some = read_by(0.5, PERIOD)
    hz = some.frequency_hz.copy()
    hz[[10, 50, 90]] /= 2  # a missing pulse: the period is twice as long
    hz[[20, 200]] *= 2
    found = by_readings(replace(some, frequency_hz=hz), PERIOD, COUNTER, 1e-9)
    assert (found.missed, found.set_aside, found.pulses) == (3, 5, 295)
    assert found.offset_ppm == pytest.approx(0.5, abs=2 * found.u_ppm)


def test_another_signal_is_not_the_reference():
    wrong = columns(np.full(50, 16e6), gate_s=1.0)
    with pytest.raises(DataError, match="is the reference at that input"):
        by_readings(wrong, PERIOD, COUNTER, None)
    with pytest.raises(DataError, match="at least 10"):
        by_readings(read_by(0.5, PERIOD, 5), PERIOD, COUNTER, None)


def test_a_time_base_that_warms_up_is_refused():
    warming = read_by(0.5, PERIOD, 300, warmup=2.0)
    found = by_readings(warming, PERIOD, COUNTER, 1e-9)
    assert found.drift.ppm_per_h < -5
    (why,) = refusals(found)
    assert "still drifts" in why and "warm up" in why
    assert not list(
        refusals(by_readings(read_by(0.5, PERIOD, 300), PERIOD, COUNTER, 1e-9))
    )


def test_the_reference_itself_is_in_the_budget():
    blunt = replace(PERIOD, u_s=1e-5)
    found = by_readings(read_by(0.5, blunt, 100), blunt, COUNTER, 1e-9)
    lines = {line.name: line.u_ppm for line in found.budget.lines}
    assert lines["reference"] == pytest.approx(math.sqrt(2) * 1e-5 / 100 * 1e6)
    unstated = replace(PERIOD, u_s=None)
    found = by_readings(read_by(0.5, unstated, 100), unstated, COUNTER, 1e-9)
    assert "assumed" in found.budget.lines[0].text


def test_how_long_a_check_holds():
    assert days_it_holds(COUNTER, 0.01) == 30
    ageing = replace(COUNTER, timebase_ageing_ppm_per_year=0.1)
    assert days_it_holds(ageing, 0.01) == pytest.approx(36.5, rel=0.01)
    assert days_it_holds(ageing, 1e-6) == 1
    assert days_it_holds(ageing, 1.0) == 180


# --- end to end: a check corrects what is measured after it ---------------------------

PART = Part(
    id="q",
    title="quartz",
    kind=Kind.QUARTZ,
    nominal_hz=16e6,
    limits=Limits(tolerance_ppm=30.0),
)


def check_of(found, counter=COUNTER) -> ReferenceCheck:
    identity = Identity("M,C,7,1", "M", "C", "7", "1")
    return ReferenceCheck(
        instrument=identity,
        offset_ppm=found.offset_ppm,
        u_ppm=found.u_ppm,
        method=found.method,
        at_utc_ns=0,
        valid_until_utc_ns=40 * DAY_NS,
    )


@pytest.mark.parametrize("timebase_ppm", [0.5, -0.5])
@pytest.mark.parametrize("reference", [PERIOD, FREQUENCY], ids=["period", "frequency"])
def test_a_device_of_10_ppm_comes_out_as_10(timebase_ppm, reference):
    found = by_readings(read_by(timebase_ppm, reference), reference, COUNTER, 1e-9)
    timebase = timebase_for(COUNTER, check_of(found), DAY_NS)
    judge = RunJudge(PART, timebase=timebase, resolution_hz=1e-3)
    rng = seeded_generator(3)
    true_hz = 16e6 * (1 + 10e-6)
    read = true_hz / (1 + timebase_ppm * 1e-6) * (1 + 1e-9 * rng.standard_normal(60))
    judge.feed(columns(read, gate_s=1.0))
    a = judge.assessment()
    assert a.offset_ppm == pytest.approx(10.0, abs=a.u_ppm)
    assert a.u_ppm < 0.01
    assert a.timebase.status == "checked"


def reasons_with(timebase, tolerance):
    part = replace(PART, limits=Limits(tolerance_ppm=tolerance))
    judge = RunJudge(part, timebase=timebase, resolution_hz=1e-3)
    judge.feed(columns(np.full(20, 16e6) + np.arange(20) % 3 * 0.01, gate_s=1.0))
    return judge.assessment()


def test_a_time_base_too_coarse_for_the_limit_is_said():
    coarse = Timebase(status="stated", offset_ppm=0.0, u_ppm=0.3)
    a = reasons_with(coarse, 1.0)
    assert any("coarser than 4:1" in reason for reason in a.reasons)
    assert not any("coarser" in reason for reason in reasons_with(coarse, 30.0).reasons)


def test_an_expired_check_is_told_and_its_offset_stays():
    found = by_readings(read_by(0.5, PERIOD), PERIOD, COUNTER, 1e-9)
    timebase = timebase_for(COUNTER, check_of(found), 41 * DAY_NS)
    assert (timebase.status, timebase.offset_ppm, timebase.stale) == (
        "checked",
        found.offset_ppm,
        True,
    )
    a = reasons_with(timebase, 30.0)
    assert a.word is Decision.PASS
    assert any("has expired" in reason for reason in a.reasons)


# --- control chart, calibration, advice ----------------------------------------------


def test_control_chart_against_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.2, flow rates of ten batches: centre 50.81, mean
    # moving range 1.8778, limits 55.8041 and 45.8159 (from memory)
    rates = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    chart = control_chart([*rates, 50.0], 0.0)
    assert chart.centre == pytest.approx(50.81)
    assert chart.high == pytest.approx(55.8041, abs=1e-4)
    assert chart.low == pytest.approx(45.8159, abs=1e-4)
    assert chart.moved is False


def test_control_chart_says_when_the_bench_has_moved():
    rng = seeded_generator(4)
    steady = list(0.01 * rng.standard_normal(12))
    assert control_chart([*steady, 0.0], 0.001).moved is False
    jumped = control_chart([*steady, 0.2], 0.001)
    assert jumped.moved is True
    assert "out of control" in jumped.reasons[0]
    crept = [0.0, 0.01] * 4 + [0.011] * 8
    assert any("in a row" in reason for reason in control_chart(crept, 1e-4).reasons)


def test_control_chart_needs_a_history():
    chart = control_chart([1.0, 1.1], 0.1)
    assert (chart.moved, chart.low) == (None, None)
    # values all alike: what each is uncertain by is the spread
    assert control_chart([1.0] * 6 + [1.2], 0.1).moved is False
    with pytest.raises(ValueError, match="needs a value"):
        control_chart([], 0.1)


@pytest.mark.parametrize(
    ("due", "words"),
    [
        ("1970-02-20", "is due on 1970-02-20, in 20 days"),
        ("1970-02-01", "is due on 1970-02-01, in 1 day"),
        ("1970-01-30", "was due on 1970-01-30, 1 day ago"),
        ("1970-06-01", None),
        ("", None),
    ],
)
def test_calibration_is_warned_of_in_time(due, words):
    said = list(due_words([replace(COUNTER, calibration_due=due)], 30 * DAY_NS))
    assert [words in one for one in said] == ([True] if words else [])


def test_advice_for_a_limit():
    # issue: "30 ppm: 0.1 s; 1 ppm: 10 s", which is a last digit of 0.3 ppm at 1 s
    assert advise(30.0, 0.3, 1.0, 0.03).gate_s == 0.1
    assert advise(1.0, 0.3, 1.0, 0.03).gate_s == 10.0
    assert advise(1.0, 0.03, 10.0, None).gate_s == 10.0  # the same counter, other gate
    assert advise(1e-6, 0.3, 1.0, 0.03).gate_s is None
    assert advise(1.0, 0.3, 1.0, 0.3).fine_enough is False
    assert "time base too coarse" in advise(1.0, 0.3, 1.0, 0.3).text
    assert min(GATES_S) == advise(1e4, 0.3, 1.0, None).gate_s


def test_time_for_pulses_is_what_the_slope_gives():
    # sqrt(2) sigma sqrt(12) / (T sqrt(N)) with N = T: U = 2 u is a quarter of the limit
    span_s = pulse_time_s(1.0, 50e-6)
    u = math.sqrt(2) * 50e-6 * math.sqrt(12) / span_s**1.5
    assert 2 * u == pytest.approx(0.25e-6)
    assert pulse_time_s(0.1, 50e-6) > pulse_time_s(1.0, 50e-6)
