"""The step watch: known steps are found where they are, noise and ramps are none."""

import numpy as np
import pytest
from noise_makers import KINDS, make
from seeds import seeded_generator

from benchlog.analysis.steps import BLOCK, StepWatch

N = 8_000


def steps_in(values):
    watch = StepWatch()
    return [
        (at, step)
        for at, value in enumerate(values.tolist())
        if (step := watch.feed(float(at), value)) is not None
    ]


@pytest.mark.parametrize("kind", KINDS)
def test_noise_of_every_kind_is_no_step(kind):
    rng = seeded_generator(11)
    assert [steps_in(run) for run in make(kind, rng, 6, N)] == [[]] * 6


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("sign", [-1, 1])
def test_a_clear_step_is_found_once_and_measured(kind, sign):
    rng = seeded_generator(12)
    for noise in make(kind, rng, 4, N):
        apart = noise[:-32] - noise[32:]
        size = sign * 15 * np.std(apart)
        at = 5_003
        stepped = noise + np.where(np.arange(N) >= at, size, 0.0)
        ((found_at, step),) = steps_in(stepped)
        assert at <= found_at <= at + 4 * BLOCK
        assert step.after_s < at + BLOCK
        assert step.before_s > at - BLOCK
        assert step.size == pytest.approx(size, rel=0.3)


def test_ramps_and_waves_are_no_steps():
    t = np.arange(20_000.0)
    noise = seeded_generator(13).standard_normal(len(t)) * 0.002
    assert steps_in(noise + 1e-4 * t) == []
    assert steps_in(noise + 0.5 * np.sin(2 * np.pi * t / 3_600)) == []


def test_a_spike_is_no_step():
    values = seeded_generator(14).standard_normal(N)
    values[4_000:4_003] += 500
    assert steps_in(values) == []


def test_less_than_a_few_digits_is_never_told():
    values = np.zeros(2_000)
    values[1_000:] = 1.0
    watch = StepWatch(least=2.0)
    assert not any(watch.feed(float(t), v) for t, v in enumerate(values.tolist()))
    watch = StepWatch(least=0.5)
    assert any(watch.feed(float(t), v) for t, v in enumerate(values.tolist()))


def test_a_gap_ends_a_block():
    watch = StepWatch()
    for t in range(BLOCK - 1):
        watch.feed(float(t), 1e9)
    watch.gap()
    assert not any(watch.feed(float(t), 0.0) for t in range(100, 400))
