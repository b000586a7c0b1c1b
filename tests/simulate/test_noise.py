"""Noise against IEEE Std 1139: slopes and levels of the Allan deviation."""

import functools
import math
from itertools import accumulate, pairwise

import numpy as np
import pytest
from seeds import seeded_random

from benchlog.simulate.physics.noise import Noise, NoiseProcess, Relaxing

N = 32_768


def phases(noise: Noise, steps_s, seed: str = "noise") -> np.ndarray:
    """Phase in s at the start and after each step, looked at each time."""
    process = NoiseProcess(noise, seeded_random(seed))
    found, phase = [process.look()], 0.0
    for step_s in steps_s:
        phase += process.step(step_s)
        found.append(phase + process.look())
    return np.array(found)


def adev(x: np.ndarray, m: int, tau0_s: float = 1.0) -> float:
    """Overlapping Allan deviation of phase data (IEEE Std 1139; NIST SP 1065)."""
    second = x[2 * m :] - 2 * x[m:-m] + x[: -2 * m]
    return math.sqrt(np.mean(second**2) / 2) / (m * tau0_s)


def slope(x: np.ndarray, ms=(4, 8, 16, 32, 64, 128, 256, 512)) -> float:
    return float(np.polyfit(np.log(ms), np.log([adev(x, m) for m in ms]), 1)[0])


# IEEE Std 1139, Allan deviation against averaging time on log-log axes:
# white PM -1, white FM -1/2, flicker FM 0, random-walk FM +1/2.
SLOPES = [
    (Noise(white_pm=1e-9), -1.0),
    (Noise(white_fm=1e-9), -0.5),
    (Noise(flicker_fm=1e-9), 0.0),
    (Noise(random_walk_fm=1e-9), 0.5),
]


@functools.cache
def seconds(noise: Noise) -> np.ndarray:
    return phases(noise, [1.0] * N)


@pytest.mark.parametrize(("noise", "expected"), SLOPES)
def test_slope(noise, expected):
    assert slope(seconds(noise)) == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize(("noise", "_"), SLOPES)
def test_level_is_the_allan_deviation_at_one_second(noise, _):
    assert adev(seconds(noise), 1) == pytest.approx(1e-9, rel=0.05)


@pytest.mark.parametrize("tau0_s", [1e-3, 60.0])
@pytest.mark.parametrize(("noise", "exponent"), SLOPES)
def test_level_holds_at_other_gates(noise, exponent, tau0_s):
    x = phases(noise, [tau0_s] * 8192)
    expected = 1e-9 * tau0_s**exponent
    assert adev(x, 1, tau0_s) == pytest.approx(expected, rel=0.08)


@pytest.mark.parametrize("noise", [noise for noise, _ in SLOPES[1:]])
def test_cutting_steps_up_changes_nothing(noise):
    """Looks at uneven times, then only those on a grid: same level and slope."""
    cuts = seeded_random("cuts")
    steps = []
    for _ in range(8192):
        cut = cuts.random()
        steps += [cut, 1 - cut]
    x = phases(noise, steps)[::2]
    whole = phases(noise, [1.0] * 8192, seed="whole")
    for m in (1, 16):
        assert adev(x, m) == pytest.approx(adev(whole, m), rel=0.15)


@pytest.mark.parametrize("rate_per_s", [1e-6, 0.02, 1.0, 50.0])
def test_relaxing_matches_its_covariances(rate_per_s):
    """Value and integral of an Ornstein-Uhlenbeck process after 1 s, from zero.

    Closed forms (Gillespie 1996), here by numerical integration of the covariance
    v (exp(-r|s-t|) - exp(-r(s+t))).
    """
    rng = seeded_random("ou")
    ends = []
    for _ in range(20_000):
        process = Relaxing(rate_per_s, 2.0)
        gained = process.step(0.3, rng) + process.step(0.7, rng)
        ends.append((process.value, gained))
    found = np.cov(np.array(ends).T)
    t = (np.arange(400) + 0.5) / 400
    s, u = np.meshgrid(t, t)
    kernel = 2.0 * (np.exp(-rate_per_s * abs(s - u)) - np.exp(-rate_per_s * (s + u)))
    at_end = 2.0 * (np.exp(-rate_per_s * (1 - t)) - np.exp(-rate_per_s * (1 + t)))
    value = 2.0 * -math.expm1(-2 * rate_per_s)
    assert found[0, 0] == pytest.approx(value, rel=0.05)
    assert found[0, 1] == pytest.approx(at_end.mean(), rel=0.05)
    assert found[1, 1] == pytest.approx(kernel.mean(), rel=0.06)


def test_levels_add_in_power():
    noise = Noise(white_pm=3e-9, white_fm=4e-9)
    assert adev(phases(noise, [1.0] * N), 1) == pytest.approx(5e-9, rel=0.05)


def test_same_seed_same_noise_and_other_seed_other_noise():
    noise = Noise(1e-9, 1e-9, 1e-9, 1e-9)
    steps = [0.5, 1e-3, 3600.0, 2.0]
    assert list(phases(noise, steps)) == list(phases(noise, steps))
    assert list(phases(noise, steps)) != list(phases(noise, steps, seed="other"))


def test_no_noise_is_silent():
    assert set(phases(Noise(), [1.0, 1e6])) == {0.0}


def test_a_week_costs_one_step_and_stays_finite():
    x = phases(Noise(1e-9, 1e-9, 1e-9, 1e-12), [604_800.0] * 4)
    assert np.isfinite(x).all()
    gained = [b - a for a, b in pairwise(accumulate(x))]
    assert len(set(gained)) == 4
