"""What thermal lag has left, from the readings before a point."""

import numpy as np
from seeds import seeded_generator

from benchlog.analysis.characteristics.lag import Approach, still_away


def approaches(rng, left_ppm, tau_s=90.0, noise_ppm=0.0):
    """Six scans before the turn, then six gates; `left_ppm` each at its middle."""
    before_s = np.concatenate([np.arange(6, 0, -1) * 80.0, [2.5, 1.5, 0.5, -1, -2, -3]])
    return [
        Approach(
            before_s=before_s,
            ppm=0.3 * k
            + left * np.exp(before_s / tau_s)
            + noise_ppm * rng.standard_normal(len(before_s)),
        )
        for k, left in enumerate(left_ppm)
    ]


def test_what_is_left_is_found_from_a_decay():
    rng = seeded_generator(1)
    left = [0.004, -0.002, 0.0, 0.001, 0.003]
    away, u = still_away(approaches(rng, left, noise_ppm=0.001))
    assert np.abs(away - left).max() < 0.0006
    assert u.max() < 0.001


def test_noise_alone_is_hardly_more_than_its_own_uncertainty():
    rng = seeded_generator(2)
    several = [
        still_away(approaches(rng, np.zeros(6), noise_ppm=0.01)) for _ in range(50)
    ]
    away = np.concatenate([one[0] for one in several])
    u = np.concatenate([one[1] for one in several])
    assert np.mean(np.abs(away) <= 3 * u) > 0.97


def test_gates_of_a_turn_alone_tell_nothing():
    rng = seeded_generator(3)
    alone = Approach(before_s=np.arange(3.0, -3, -1), ppm=rng.standard_normal(6))
    away, u = still_away([alone, Approach(before_s=np.empty(0), ppm=np.empty(0))])
    assert away.tolist() == u.tolist() == [0.0, 0.0]
    assert still_away([])[0].shape == (0,)
