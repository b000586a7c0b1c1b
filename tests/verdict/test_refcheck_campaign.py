"""Simulated checks by pulses: does the stated 95 % interval hold the truth?

Issue 5: sawtooth, 5 % missed and 1 % doubled pulses, a host clock 40 ppm off and
wandering. Table of the full campaign: REFCHECK.md beside this file.
"""

import numpy as np
import pytest
from columns_maker import columns
from pulse_makers import Host, Source, feed, trains
from seeds import seeded_generator

from benchlog.analysis.pulses.grid import PulseTracker
from benchlog.analysis.pulses.trains import against
from benchlog.model import InstrumentSpec, ReferenceSpec
from benchlog.verdict.timebase.reference_check import by_pulses, by_readings

REFERENCE = ReferenceSpec(counter="counter", pulses="gps", timebase="tb", u_s=5e-8)
COUNTER = InstrumentSpec(name="counter", driver="scpi-counter", timebase_ppm=0.5)
HOST = Host(ppm=40, wander_ppm=0.3, jitter_s=50e-6)
WORSE = Host(ppm=40, wander_ppm=0.3, jitter_s=50e-6, late_share=0.01)


def check(seed: int, n: int, host: Host):
    """One check of a time base whose offset is drawn; returns error and U in ppm."""
    rng = seeded_generator(seed)
    truth = rng.uniform(-0.5, 0.5)
    sources = (
        Source(truth, phase_s=rng.uniform(0, 1)),
        Source(missed=0.05, doubled=0.01, sawtooth_s=40e-9),
    )
    trackers = [PulseTracker(1.0), PulseTracker(1.0)]
    for tracker, stamps in zip(trackers, trains(sources, host, n, rng), strict=True):
        feed(tracker, stamps)
    ours, theirs = (tracker.train() for tracker in trackers)
    counts = (trackers[0].counts(), trackers[1].counts())
    found = by_pulses(against(ours, theirs), counts, REFERENCE, COUNTER)
    return found.offset_ppm - truth, found.budget.expanded_ppm


def campaign(runs: int, n: int, host: Host) -> tuple[float, float, float]:
    """Return the share of intervals that hold the truth, median U, rms error."""
    found = np.array([check(seed, n, host) for seed in range(runs)])
    held = float(np.mean(np.abs(found[:, 0]) <= found[:, 1]))
    return (
        held,
        float(np.median(found[:, 1])),
        float(np.sqrt(np.mean(found[:, 0] ** 2))),
    )


PERIOD = ReferenceSpec(counter="counter", nominal_hz=1.0, input=2, u_s=2e-8)


def timed(seed: int, n: int):
    """One check in which the counter times each pulse; returns error and U in ppm."""
    rng = seeded_generator(seed)
    truth = rng.uniform(-0.5, 0.5)
    k = np.arange(n + 1)
    sawtooth_s = 40e-9 * ((k * rng.uniform(0.05, 0.45)) % 1.0 - 0.5)
    pulses_s = k + sawtooth_s + 5e-9 * rng.standard_normal(n + 1)
    period_s = np.diff(pulses_s) * (1 + truth * 1e-6)  # a fast counter reads it long
    hz = 1.0 / (period_s + 0.3e-9 * rng.standard_normal(n))
    drawn = rng.random(n)
    hz = np.where(drawn < 0.05, hz / 2, np.where(drawn < 0.06, hz * 2, hz))
    found = by_readings(columns(hz, gate_s=1.0), PERIOD, COUNTER, 1e-9)
    return found.offset_ppm - truth, found.budget.expanded_ppm


@pytest.mark.slow
@pytest.mark.parametrize("n", [60, 300, 600])
def test_a_thousand_checks_by_the_counter(n, capsys):
    found = np.array([timed(seed, n) for seed in range(1000)])
    held = float(np.mean(np.abs(found[:, 0]) <= found[:, 1]))
    u_ppm, rms = np.median(found[:, 1]), np.sqrt(np.mean(found[:, 0] ** 2))
    with capsys.disabled():
        print(f"| {n} | {held:.3f} | {u_ppm:.5f} | {rms:.5f} |")
    # with one reading in seventeen missing, U of what is left errs on the wide side
    assert 0.92 <= held <= 0.99


def test_the_interval_holds_the_truth():
    held, u_ppm, _ = campaign(120, 600, HOST)
    # 120 checks: one standard deviation of the share is 2 %; 1,000 are in the campaign
    assert held >= 0.90
    assert u_ppm < 0.06


@pytest.mark.slow
@pytest.mark.parametrize("host", [HOST, WORSE], ids=["steady", "late stamps"])
@pytest.mark.parametrize("n", [120, 600, 1800])
def test_a_thousand_checks(n, host, capsys):
    held, u_ppm, rms = campaign(1000, n, host)
    with capsys.disabled():
        late = f"{host.late_share:.0%}"
        print(f"| {n} | {late} | {held:.3f} | {u_ppm:.4f} | {rms:.4f} |")
    assert 0.92 <= held <= 0.98
