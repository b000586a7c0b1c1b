"""The slowest motions of a run: blocks, contrasts, covariances under each noise."""

import numpy as np
import pytest
from columns_maker import columns, without
from noise_makers import KINDS, allan_variance, make
from seeds import seeded_generator

from benchlog.analysis.bridged_phase import RECENT, BridgedPhase
from benchlog.analysis.phase_blocks import (
    MOST,
    BlockPhases,
    PhaseBlocks,
    without_slope,
)
from benchlog.analysis.phase_contrasts import contrasts_of, covariances
from benchlog.analysis.running import Running
from benchlog.analysis.uncertainty import mean_uncertainty, slow_motions


@pytest.mark.parametrize("n", [1, 63, 64, 65, 129, 1_000, 5_000])
def test_blocks_are_the_means_of_equal_stretches_however_they_came(n):
    phases = seeded_generator(n).standard_normal(n)
    at_once, one_by_one = PhaseBlocks(), PhaseBlocks()
    at_once.feed(phases)
    for phase in phases:
        one_by_one.feed(np.array([phase]))
    found = at_once.found()
    assert found == one_by_one.found()
    whole = n // found.length
    assert whole < MOST and (found.length == 1 or whole >= MOST // 2)
    wanted = phases[: whole * found.length].reshape(whole, found.length).mean(axis=1)
    assert found.means == pytest.approx(tuple(wanted), abs=1e-12)


@pytest.mark.parametrize("n", [40, pytest.param(300, marks=pytest.mark.campaign)])
@pytest.mark.parametrize(("at", "kind"), list(enumerate(KINDS)))
def test_variances_of_contrasts_are_those_of_simulated_noise(at, kind, n):
    """4,000 runs: each variance within five of its standard deviations, 2.2 %."""
    rows = []
    for y in make(kind, seeded_generator(n + at), 4_000, n):
        blocks = PhaseBlocks()
        blocks.feed(np.concatenate(([0.0], np.cumsum(y))))
        rows.append(contrasts_of(blocks.found()))
    shape = blocks.found()
    told = covariances(len(shape.means), shape.length)[at]
    told = told * allan_variance(kind, n, n)
    # blocks that are not full leave out up to a part of the run
    part = n / (len(shape.means) * shape.length - 1)
    assert part < 1.04
    seen = np.var(np.array(rows), axis=0)
    assert seen / np.diag(told) == pytest.approx(
        np.ones(len(seen)), abs=0.11 + part - 1
    )


def test_a_mean_frequency_is_no_motion():
    phases = 5.0 + 1e6 * np.arange(48.0)
    assert contrasts_of(BlockPhases(tuple(phases), 1)) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("n", [50, 500])
def test_a_line_can_be_taken_off(n):
    y = seeded_generator(n).standard_normal(n)
    found = []
    for slope in (0.0, 0.25):
        blocks = PhaseBlocks()
        drifting = y + slope * (np.arange(n) + 0.5)
        blocks.feed(np.concatenate(([0.0], np.cumsum(drifting))))
        found.append(without_slope(blocks.found(), slope).means)
    assert found[1] == pytest.approx(found[0], abs=1e-8 * n * n)


def test_a_short_gap_is_bridged_and_a_long_one_is_not():
    whole = columns(1e6 * (1 + 1e-9 * seeded_generator(3).standard_normal(200)))
    running, short, long = Running(1e6), Running(1e6), Running(1e6)
    running.feed(whole)
    short.feed(without(whole, [100, 120, 121]))
    long.feed(without(whole, range(60, 60 + RECENT + 1)))
    assert slow_motions(running.stats().phase_blocks).gaps == 0
    assert slow_motions(short.stats().phase_blocks).gaps == 2
    assert long.stats().phase_blocks is None
    for one in (short, long):
        assert mean_uncertainty(one.stats()) is not None


def test_a_steady_frequency_is_carried_on_across_gaps():
    """One that climbs evenly would go on as it was: half a gap behind, once."""
    bridged = BridgedPhase()
    missing = np.zeros(60, dtype=np.int64)
    missing[[20, 40]] = 3, 1
    bridged.feed_spaced(np.full(60, 7.0), 7.0 * np.arange(1.0, 61.0), 0.0, missing)
    blocks = bridged.found()
    phases = 7.0 * np.arange(65.0)
    whole = len(blocks.means) * blocks.length
    wanted = phases[:whole].reshape(-1, blocks.length).mean(axis=1)
    assert blocks.means == pytest.approx(tuple(wanted))
    assert blocks.gaps == 2


def test_bridged_white_phase_noise_is_wider_by_what_its_gaps_leave():
    """Means of runs that lost a tenth spread as white PM and its gaps are said to."""
    rng, n = seeded_generator(6), 200
    y = make("white PM", rng, 4_000, n)
    there = rng.random(y.shape) >= 0.1
    there[:, [0, -1]] = True
    gaps = np.mean(np.sum(there[:, 1:] & ~there[:, :-1], axis=1))
    mean = (y * there).sum(axis=1) / there.sum(axis=1)
    # ends of the run and of each gap: two phases of variance 1 over the readings
    said = 2.0 * (1.0 + gaps) / there.sum(axis=1).mean() ** 2
    assert np.var(mean) == pytest.approx(said, rel=0.1)
