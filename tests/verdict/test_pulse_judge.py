"""Runs of pulses judged: signs, budget, how long until it can be judged, reasons."""

import math
from dataclasses import replace

import numpy as np
import pytest
from pulse_makers import Host, Source, trains
from seeds import seeded_generator
from tiers import seldom

from benchlog.evaluation.document import figures
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.model import (
    EDGE,
    Bench,
    Decision,
    Flag,
    InstrumentSpec,
    Kind,
    Limits,
    Part,
    PositionSpec,
    Pulses,
    Purpose,
    ReferenceSpec,
    Run,
    Timebase,
)
from benchlog.store.snapshot import to_plain
from benchlog.verdict.run.judges import judge_for
from benchlog.verdict.run.pulse_judge import PulseJudge, Trains
from benchlog.verdict.run.pulse_timing import pulse_timebase, span_until
from benchlog.verdict.run.reading_judge import RunJudge

PART = Part(
    id="fork",
    title="32 kHz",
    kind=Kind.TUNING_FORK,
    nominal_hz=32768.0,
    limits=Limits(tolerance_ppm=20.0),
)
PAIR = Trains("device", "gps", 1.0, 32768.0)
ALONE = Trains("device", None, 1.0, 32768.0)
GOOD_TIME = Timebase(
    status="stated",
    offset_ppm=0.0,
    u_ppm=0.0,
    valid_until_utc_ns=None,
    text="pulses of 'gps'",
    u_s=1e-7,
)
RUN = Run(
    id=1,
    purpose=Purpose.MEASURE,
    device="D",
    part=PART,
    position="A",
    bench="b",
    nominal_hz=32768.0,
    divider=32768.0,
    simulated=False,
    started_utc_ns=0,
    ended_utc_ns=None,
    ended_how=None,
)
HOST = Host(ppm=40, wander_ppm=0.2, jitter_s=50e-6)


def pulses(named, flags=Flag.NONE, ambient_c=()) -> Pulses:
    names = np.concatenate([[name] * len(ns) for name, ns in named.items()])
    mono = np.concatenate(list(named.values()))
    number = np.concatenate([np.arange(1, len(ns) + 1) for ns in named.values()])
    order = np.argsort(mono, kind="stable")
    n = len(mono)
    return Pulses(
        id=np.arange(1, n + 1),
        segment=np.ones(n, np.int64),
        instrument=names[order],
        utc_ns=mono[order] + 10**18,
        mono_ns=mono[order],
        sequence=number[order],
        flags=np.full(n, int(flags)),
        ambient_c=ambient_c,
    )


def judged(ppm, n, *, which=PAIR, time=GOOD_TIME, part=PART, host=HOST, **more):
    rng = seeded_generator(n)
    device, gps = trains([Source(ppm, phase_s=0.3), Source()], host, n, rng)
    named = {"device": device, "gps": gps}
    if which.reference is None:
        del named["gps"]
    judge = PulseJudge(part, which, time)
    judge.feed(pulses(named, **more))
    return judge.assessment()


@pytest.mark.parametrize("ppm", [10.0, -10.0, 0.5, -0.5])
def test_offset_against_a_reference(ppm):
    found = judged(ppm, 600)
    assert found.offset_ppm == pytest.approx(ppm, abs=found.u_ppm)
    assert found.u_ppm <= 0.06
    assert found.word is Decision.PASS
    assert found.timing.against == "pulses of 'gps'"
    assert 40e-6 < found.timing.rms_s < 90e-6
    assert found.timing.pp_s > found.timing.rms_s
    assert found.stats.n == 600


def test_outside_is_outside():
    assert judged(25.0, 120).word is Decision.FAIL


def test_against_the_host_its_uncertainty_is_in_the_budget():
    time = Timebase(
        status="stated",
        offset_ppm=0.0,
        u_ppm=60 / math.sqrt(3),
        valid_until_utc_ns=None,
        text="stated +-60 ppm",
    )
    found = judged(5.0, 200, which=ALONE, time=time)
    lines = {line.name: line for line in found.budget.lines}
    assert lines["host clock"].u_ppm == pytest.approx(34.6, abs=0.1)
    assert found.word is Decision.UNDECIDED
    assert found.timing.judged_in_s is None
    said = " ".join(found.reasons)
    assert "however long the run" in said
    assert "coarser than 4:1" in said


def test_a_known_host_offset_is_corrected():
    time = Timebase(
        status="checked", offset_ppm=40.0, u_ppm=0.01, valid_until_utc_ns=None, text=""
    )
    found = judged(5.0, 600, which=ALONE, time=time, host=Host(40, 0.0, 50e-6))
    assert found.offset_ppm == pytest.approx(5.0, abs=found.u_ppm)


def test_it_says_how_long_it_takes():
    narrow = replace(PART, limits=Limits(tolerance_ppm=10.3))
    short = judged(10.0, 60, part=narrow)
    assert short.word is Decision.UNDECIDED
    expected = 60 + short.timing.judged_in_s
    assert 100 < expected < 600
    assert any("more until it can be judged" in reason for reason in short.reasons)
    # 1 train in 50 is called one-sided by chance, and then takes longer
    long = judged(10.0, math.ceil(2.5 * expected), part=narrow)
    assert long.word is Decision.PASS
    assert long.timing.judged_in_s == 0.0


def test_the_ends_of_a_short_run_are_uncertain():
    blunt = replace(GOOD_TIME, u_s=1e-4)
    sharp, dull = judged(0.0, 100), judged(0.0, 100, time=blunt)
    lines = {line.name: line.u_ppm for line in dull.budget.lines}  # sqrt(2) u / T
    assert lines["reference, ends"] == pytest.approx(1.4285, rel=1e-3)
    assert dull.u_ppm > 2 * sharp.u_ppm


def test_too_few_pulses():
    found = judged(0.0, 3)
    assert found.word is Decision.UNDECIDED
    assert found.u_ppm is None and found.conformance is None
    assert "at least 5 are needed" in found.reasons[0]


def test_a_reference_without_a_fix_is_none():
    found = judged(0.0, 100, flags=Flag.NO_FIX | Flag.SIMULATED)
    assert found.word is Decision.UNDECIDED
    assert any("100 pulses without a fix" in reason for reason in found.reasons)
    assert "simulated data" in found.reasons


def test_ambient_outside_the_band_is_brought_to_the_reference():
    part = replace(
        PART, limits=Limits(tolerance_ppm=20.0, stability_ppm=50.0, range_c=(-10, 60))
    )
    inside = judged(0.0, 50, part=part, ambient_c=(24.0, 25.0))
    assert inside.at_reference is None and inside.limit.ppm == 20.0
    outside = judged(0.0, 50, part=part, ambient_c=(40.0, 40.0))
    at = outside.at_reference
    assert at is not None and outside.limit.ppm == 20.0
    # a fork's usual -0.035 ppm/C^2 over 15 C: what was measured lies that much lower
    assert at.moved_ppm == pytest.approx(0.035 * 15.0**2)
    assert outside.judged == (at.offset_ppm, at.u_ppm)
    beyond = judged(0.0, 50, part=part, ambient_c=(24.0, 65.0))
    assert beyond.word is Decision.UNDECIDED
    assert "measure between 22 and 28 C" in " ".join(beyond.reasons)
    wide = PulseJudge(part, PAIR, GOOD_TIME, over_temperature=True)
    assert wide.assessment().limit.ppm == 70.0


@pytest.mark.parametrize(
    ("u_after", "expected"),
    [
        (lambda s: 1 / s, 100.0),
        (lambda s: 0.5 / s, 60.0),
        (lambda s: 0.02, None),
    ],
)
def test_span_until(u_after, expected):
    found = span_until(u_after, 60.0, 0.01)
    assert found == (pytest.approx(expected, rel=1e-6) if expected else None)


def bench(*, reference="gps", u_s=None, **more) -> Bench:
    options = {} if u_s is None else {"u_s": u_s}
    specs = {
        "device": InstrumentSpec(
            name="device", driver="pulse-edge", address="/dev/a", quantity=EDGE
        ),
        "gps": InstrumentSpec(
            name="gps",
            driver="pulse-edge",
            address="/dev/b",
            options=options,
            quantity=EDGE,
        ),
    }
    position = PositionSpec(
        name="A", frequency="device", reference=reference, divider=32768.0
    )
    return Bench(name="b", instruments=specs, positions=(position,), **more)


def test_time_of_a_position():
    def time(given, error_s=None):
        return pulse_timebase(given, given.positions[0], error_s)

    assert time(bench()).status == "assumed"
    assert time(bench(u_s=3e-8)).u_s == 3e-8
    wired = ReferenceSpec(counter="c", pulses="gps", timebase="device", u_s=5e-8)
    assert time(bench(u_s=3e-8, reference="gps")).status == "stated"
    assert pulse_timebase(bench(), bench().positions[0]).u_s == 1e-6
    assert time(replace(bench(), reference=wired)).u_s == 5e-8
    alone = bench(reference=None)
    assert time(alone).status == "assumed"
    assert time(alone).u_ppm == pytest.approx(100 / math.sqrt(3))
    assert time(alone, 2e-4).u_s == 2e-4
    stated = bench(reference=None, host_clock_ppm=60)
    assert time(stated, 2e-4).u_ppm == pytest.approx(60 / math.sqrt(3))


def test_a_run_of_the_database_gets_its_judge():
    snapshot = {"bench": to_plain(bench(u_s=1e-7))}
    begun = replace(RUN, snapshot=snapshot, timebase=GOOD_TIME)
    judge = judge_for(begun)
    assert isinstance(judge, PulseJudge)
    assert judge.trains == PAIR
    readings = judge_for(replace(begun, position="B"))
    assert isinstance(readings, RunJudge)


def test_figures_have_the_timing():
    found = judged(10.0, 100)
    document = figures(Evaluation(run=RUN, assessment=found))
    assert document["timing"]["pulses"] == 100 - found.timing.set_aside
    assert document["timing"]["reference"]["good"] == 100
    assert document["jitter_ppm_rms"] is None
    assert document["timebase"]["coarse"] is False


def at_another_rate(times: float, n: int = 60, *, whose: str = "device", limit=20.0):
    """A clean pair of trains, one of which pulses `times` as often as stated."""
    rng = seeded_generator(n)
    rates = {"device": 1.0, "gps": 1.0, whose: times}
    sources = [Source(0.5, nominal_s=1 / rate) for rate in rates.values()]
    stamps = trains(sources, Host(ppm=40, jitter_s=1e-6), n, rng)
    judge = PulseJudge(
        replace(PART, limits=Limits(tolerance_ppm=limit)), PAIR, GOOD_TIME
    )
    judge.feed(pulses(dict(zip(rates, stamps, strict=True))))
    return judge.assessment()


@pytest.mark.parametrize(
    ("times", "told"),
    [
        (2, "2 times as often as stated"),
        (3, "3 times as often as stated"),
        (1 / 2, "once where 2 were stated"),
        (1 / 3, "once where 3 were stated"),
        (1.5, "1.5 times as often as stated"),
    ],
)
@pytest.mark.parametrize("whose", ["device", "gps"])
def test_pulses_at_another_rate_are_not_judged(times, told, whose):
    """Every second of 60 clean pulses at twice the rate fits the stated grid."""
    found = at_another_rate(times, whose=whose)
    assert found.word is Decision.UNDECIDED
    assert found.conformance is None
    name = "the device" if whose == "device" else "the reference"
    assert found.reasons[0].startswith(f"pulses of {name} come {told}")
    assert "Nothing is judged" in found.reasons[0]


def test_pulses_at_the_stated_rate_are_judged_with_some_missing_or_doubled():
    rng = seeded_generator(7)
    for source in (Source(0.5, missed=0.3), Source(0.5, doubled=0.3)):
        device, gps = trains([source, Source()], HOST, 600, rng)
        judge = PulseJudge(PART, PAIR, GOOD_TIME)
        judge.feed(pulses({"device": device, "gps": gps}))
        found = judge.assessment()
        assert (found.word, found.doubt) == (Decision.PASS, "")


def test_a_wrong_part_is_asked_for_by_pulses_as_by_readings():
    """0.85 of the stated rate: near enough to be followed, too far for the part."""
    found = at_another_rate(0.85)
    assert found.word is Decision.FAIL
    assert any("is this the right part" in reason for reason in found.reasons)


MISSED = [
    *((2, 0.1, 5), (2, 0.4, 5), (3, 0.3, 5), (5, 0.2, 5)),
    *(
        seldom(times, missed, 20)
        for times in (2, 3, 5)
        for missed in (0.1, 0.2, 0.3, 0.4)
    ),
]


@pytest.mark.parametrize(("times", "missed", "runs"), MISSED)
def test_pulses_at_a_multiple_are_not_judged_when_some_are_missing(times, missed, runs):
    judged = []
    for seed in range(runs):
        rng = seeded_generator(seed)
        sources = [Source(0.5, nominal_s=1 / times, missed=missed), Source()]
        device, gps = trains(sources, Host(ppm=40, jitter_s=1e-6), 180, rng)
        judge = PulseJudge(PART, PAIR, GOOD_TIME)
        judge.feed(pulses({"device": device, "gps": gps}))
        judged.append(judge.assessment())
    assert {one.word for one in judged} == {Decision.UNDECIDED}
    assert all(f"{times} times as often" in one.reasons[0] for one in judged)


@pytest.mark.parametrize(
    ("source", "runs"),
    [
        (Source(0.5, missed=0.6), 5),
        (Source(0.5, doubled=0.6), 5),
        seldom(Source(0.5, missed=0.6), 20),
        seldom(Source(0.5, doubled=0.6), 20),
        seldom(Source(0.5, missed=0.3), 20),
    ],
)
def test_pulses_at_the_stated_rate_raise_no_doubt_whatever_is_missing(source, runs):
    for seed in range(runs):
        rng = seeded_generator(seed)
        device, gps = trains([source, Source()], HOST, 600, rng)
        judge = PulseJudge(PART, PAIR, GOOD_TIME)
        judge.feed(pulses({"device": device, "gps": gps}))
        assert judge.assessment().doubt == ""


@pytest.mark.parametrize("duty", [0.1, 0.3])
def test_both_edges_of_a_pulse_are_no_other_rate(duty):
    """Two stamps a period, one of which is set aside, as before."""
    rng = seeded_generator(1)
    device, gps = trains([Source(0.5), Source()], HOST, 300, rng)
    both = np.sort(np.concatenate([device, device + int(duty * 1e9)]))
    judge = PulseJudge(PART, PAIR, GOOD_TIME)
    judge.feed(pulses({"device": both, "gps": gps}))
    assert judge.assessment().doubt == ""
