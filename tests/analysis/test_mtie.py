"""The swings of phase against every window looked at by numpy, one by one."""

import tracemalloc

import numpy as np
import pytest
from numpy.lib.stride_tricks import sliding_window_view
from seeds import seeded_generator

from benchlog.analysis.stability.mtie import widest_swings


def walked(n: int, seed: int = 7) -> np.ndarray:
    return seeded_generator(seed).standard_normal(n).cumsum()


def looked_at(phase: np.ndarray, m: int) -> float:
    windows = sliding_window_view(phase, m + 1)
    return float((windows.max(axis=1) - windows.min(axis=1)).max())


@pytest.mark.parametrize("n", [1, 2, 3, 50, 1000, 8191, 8192, 8193])
def test_every_kind_of_window(n):
    phase = walked(n)
    factors = sorted({m for m in (1, 2, 3, n // 9, n // 3, n // 2, n - 1) if m > 0})
    expected = [looked_at(phase, m) if m < n else 0.0 for m in factors]
    assert widest_swings(phase, factors) == expected


@pytest.mark.parametrize("m", [1, 100, 1561, 1562, 1563, 3000, 24_000, 24_998])
def test_windows_of_a_phase_gone_through_in_pieces(m):
    phase = walked(25_000)
    assert widest_swings(phase, [m]) == [looked_at(phase, m)]


def test_a_window_longer_than_the_data_is_empty():
    assert widest_swings(walked(20_000), [19_999, 20_000, 30_000])[1:] == [0.0, 0.0]


def test_a_single_spike_is_seen_wherever_it_stands():
    for at in (0, 1, 6249, 6250, 6251, 49_998, 99_999):
        phase = np.zeros(100_000)
        phase[at] = 1.0
        assert widest_swings(phase, [1, 100, 9000, 70_000]) == [1.0] * 4


def test_memory_stays_below_half_of_the_phase():
    phase = walked(1_000_000)
    tracemalloc.start()
    try:
        widest_swings(phase, [1 << k for k in range(19)])
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 0.5 * phase.nbytes
