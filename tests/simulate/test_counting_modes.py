"""Counters that average, have dead time or cut digits, over a real transport.

What the readings of each must show is worked out from its weights: lag-1 correlation
-1/2 for gates that share stamps, 0 for others (NIST SP 1065, white PM); scatter by the
number of stamps (a triangle of 64: 16/64 of s^2/tau^2, a line through them: 12/64).
"""

import dataclasses

import numpy as np
import pytest
from seeds import seeded_generator
from simulate.lab import Line, scenario, serving

from benchlog.catalogue import load_bench
from benchlog.clock import HostClock
from benchlog.model import COUNTING, Counting, Sample
from benchlog.recorder.instruments.instrument_check import check_instrument
from benchlog.simulate import Via
from benchlog.simulate.physics.counting import CounterSpec
from benchlog.verdict.run.counter.seen_counting import seen_counting

GATE_S = 0.005
JITTER_S = 2e-9
SPEC = CounterSpec(resolution_s=1e-13, stamp_jitter_s=JITTER_S)
N = 150


def bench_with(spec, via=Via.LINE_TCP):
    plain = scenario(via, gate_s=GATE_S)
    counter = dataclasses.replace(plain.counters[0], spec=spec)
    return dataclasses.replace(plain, counters=(counter,))


SCALES = (1.0, 1.0, 0.5, 0.2, 0.1, 0.05)
"""Where this computer has no time for a bench, bench time is slowed down."""


def served(spec, n=N):
    """Return what the bench sent over its socket, Hz, and when."""
    for scale in SCALES:
        with serving(bench_with(spec), HostClock(scale)) as (running, addresses):
            line = Line(addresses["counter"])
            said = [float(line.hear()) for _ in range(n)]
            line.close()
            sent = {float(one.text): one for one in running.served("counter")}
        found = [sent[one] for one in said if one in sent]
        if kept_pace(found, GATE_S + spec.dead_time_s):
            break
    return np.array(said), found


def lag_1(hz):
    rest = hz - hz.mean()
    return float(rest[1:] @ rest[:-1] / (rest @ rest))


def variance(hz):
    return float(np.var(hz)) / (16e6 * JITTER_S / GATE_S) ** 2


WANTED = {
    "two-stamps": (-0.5, 2.0),
    "averaging": (0.0, 0.25),
    "regression": (0.0, 0.19),
}


@pytest.mark.parametrize("mode", COUNTING)
def test_each_mode_weighs_its_stamps(mode):
    hz, _ = served(dataclasses.replace(SPEC, counting=mode))
    correlation, share = WANTED[mode]
    assert lag_1(hz) == pytest.approx(correlation, abs=0.3)
    assert variance(hz) == pytest.approx(share, rel=0.5)


def test_across_dead_time_no_stamp_is_shared():
    hz, sent = served(dataclasses.replace(SPEC, dead_time_s=0.001))
    steps = np.diff([one.mono_ns for one in sent]) / 1e9
    assert np.median(steps) == pytest.approx(GATE_S + 0.001, rel=0.02)
    assert lag_1(hz) == pytest.approx(0.0, abs=0.3)


def test_digits_that_are_cut_read_half_a_digit_low():
    spec = CounterSpec(resolution_s=1e-9)
    low = {}
    for digits in ("rounded", "cut"):
        hz, sent = served(dataclasses.replace(spec, digits=digits), 60)
        true = np.array([one.true_hz for one in sent])
        low[digits] = float(np.mean(hz[: len(true)] - true))
    # the step is 1 Hz: 16 MHz x 1 ns / 5 ms is 3.2 Hz, shown to its decade
    assert low["rounded"] - low["cut"] == pytest.approx(0.5, abs=0.45)


SLACK_S = 0.0005
"""Half the dead time here: stamps that are good for no more do not show it."""


def kept_pace(found, spacing_s):
    """Whether this computer had time for it: a busy one makes dead time of its own.

    Of nine readings in ten: where a third has some, the others still keep the median.
    """
    stamps = np.array([one.mono_ns for one in found]) / 1e9
    return float(np.quantile(np.diff(stamps), 0.9)) < 1.01 * spacing_s


@pytest.mark.parametrize(
    ("changes", "seen"),
    [
        ({}, "share their stamps, gapless"),
        ({"counting": "averaging"}, "as it averages within its gate"),
        ({"dead_time_s": 0.001}, "dead time 1"),
    ],
)
def test_a_real_driver_finds_out_how_it_counts(tmp_path, monkeypatch, changes, seen):
    spec = dataclasses.replace(SPEC, **changes)
    path = tmp_path / "bench.toml"
    for scale in SCALES:
        monkeypatch.setenv("BENCHLOG_TIME_SCALE", str(scale))
        clock = HostClock(scale)
        with serving(bench_with(spec), clock) as (running, _):
            path.write_text(running.bench_toml())
            counter = load_bench(str(path)).instruments["counter"]
            assert counter.counting == changes.get("counting", "")
            assert counter.gapless is (False if "dead_time_s" in changes else None)
            tried = check_instrument(counter, clock, wanted=lambda _: 200)
        found = seen_counting(tried.samples, counter.counts)
        assert found is not None
        # its interval is one of 95 %: now and then 200 readings do not tell
        told = "more readings do" not in found.texts[0] and found.slack_s < SLACK_S
        if told and kept_pace(tried.samples, GATE_S + changes.get("dead_time_s", 0.0)):
            break
    assert seen in found.texts[0]
    assert len(found.texts) == 1


def samples(hz, spacing_s=1.0):
    return [
        Sample(float(one), "Hz", int(at * spacing_s * 1e9), 0, 1.0, step=1e-4)
        for at, one in enumerate(hz)
    ]


def test_what_was_stated_and_is_not_so_is_told():
    rng = seeded_generator(4)
    stamps = rng.normal(size=201)
    shared, own = np.diff(stamps) + 1e7, rng.normal(size=200) + 1e7
    told = seen_counting(samples(shared), Counting(gapless=False)).texts
    assert "gapless = false is stated" in told[1]
    told = seen_counting(samples(shared), Counting(mode="regression")).texts
    assert 'counting = "regression" is stated' in told[1]
    told = seen_counting(samples(own, 1.05), Counting(gapless=True)).texts
    assert "dead time 4.8%" in told[0]
    assert "gapless = true is stated" in told[1]
    assert len(seen_counting(samples(own), Counting()).texts) == 1
    few = seen_counting(samples(own[:10]), Counting()).texts
    assert "10 readings, 20 tell" in few[0]
    slow = seen_counting(samples(1e7 + np.cumsum(stamps)), Counting()).texts
    assert "slower than white FM" in slow[0]
    assert seen_counting(samples(own[:1]), Counting()) is None
