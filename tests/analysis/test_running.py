"""Running figures equal the offline ones, however the readings arrive.

The offline figures are computed here in extended precision from the definitions.
"""

import tracemalloc
from itertools import pairwise

import numpy as np
import pytest
from columns_maker import columns, part_of, without
from hypothesis import given, settings
from hypothesis import strategies as st
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.octaves import REACH
from benchlog.analysis.running import Running
from benchlog.analysis.series import series_from_columns
from benchlog.analysis.stability.estimation import stability
from benchlog.errors import DataError
from benchlog.model import Flag

NOMINAL_HZ = 16e6
WIDE = np.longdouble


def fed(whole, *, divider=1.0, cuts=()):
    running = Running(NOMINAL_HZ, divider)
    edges = [0, *sorted(cuts), len(whole)]
    for start, end in pairwise(edges):
        running.feed(part_of(whole, start, end))
    return running.stats()


def offline(f_hz):
    """Mean, slope per reading, sd about the line, in ppm, in extended precision."""
    y = (f_hz.astype(WIDE) - WIDE(NOMINAL_HZ)) / WIDE(NOMINAL_HZ) * WIDE(1e6)
    n = len(y)
    t = np.arange(n).astype(WIDE) - WIDE(n - 1) / 2
    slope = (t * (y - y.mean())).sum() / (t * t).sum()
    rest = y - y.mean() - slope * t
    return y.mean(), slope, np.sqrt((rest * rest).sum() / (n - 2))


def offline_avar(f_hz, m):
    y = (f_hz.astype(WIDE) - WIDE(f_hz[0])) / WIDE(NOMINAL_HZ) * WIDE(1e6)
    x = np.concatenate(([WIDE(0)], np.cumsum(y)))
    second = x[2 * m :] - 2 * x[m:-m] + x[: -2 * m]
    return (second * second).sum() / (2 * len(second) * WIDE(m) ** 2)


def noisy(n, *, noise=1e-12, offset=30e-6, drift=0.0, seed=1):
    rng = seeded_generator(seed)
    y = offset + noise * rng.standard_normal(n) + drift * np.arange(n)
    return NOMINAL_HZ * (1 + y)


@pytest.mark.parametrize(
    ("noise", "offset", "drift"),
    [
        (1e-12, 30e-6, 0.0),
        seldom(1e-9, 1e-12, 0.0),
        (1e-11, 0.02, 1e-10),
        seldom(1e-6, -0.5, 0.0),
    ],
)
def test_equal_to_offline_to_a_part_in_1e12(noise, offset, drift):
    f = noisy(5000, noise=noise, offset=offset, drift=drift)
    stats = fed(columns(f), cuts=range(0, 5000, 7))
    mean, slope, deviation = offline(f)
    assert stats.offset_ppm == pytest.approx(float(mean), rel=1e-12)
    assert stats.jitter_ppm_rms == pytest.approx(float(deviation), rel=1e-12)
    resolved = float(deviation) / 5000**1.5 * 1e-11  # of a slope that is nearly none
    assert stats.slope_ppm_per_s == pytest.approx(float(slope), rel=1e-12, abs=resolved)
    for point in stats.avar:
        expected = float(offline_avar(f, point.m))
        assert point.avar == pytest.approx(expected, rel=1e-12)
    assert [point.m for point in stats.avar] == [1 << k for k in range(12)]
    scale = 1e6 / NOMINAL_HZ
    assert stats.jitter_ppm_pp == pytest.approx(np.ptp(f) * scale, rel=1e-12)


def test_a_wild_first_reading_costs_no_digits():
    f = noisy(2000, noise=1e-9)
    f[0] *= 2
    _, _, deviation = offline(f)
    assert fed(columns(f)).jitter_ppm_rms == pytest.approx(float(deviation), rel=1e-12)
    tail = noisy(3000, noise=1e-10)
    tail[0] += 1e5
    stats = fed(without(columns(tail), [1]))  # the wild one stands alone
    expected = float(offline_avar(tail[2:], 4))
    assert stats.avar[2].avar == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("examples", [15, seldom(60)])
def test_chunks_change_nothing(examples):
    @settings(max_examples=examples, deadline=None)
    @given(
        n=st.integers(1, 300),
        cuts=st.lists(st.integers(0, 300), max_size=12),
        lost=st.sets(st.integers(1, 298), max_size=40),
        seed=st.integers(0, 1000),
    )
    def of(n, cuts, lost, seed):
        whole = without(columns(noisy(n, seed=seed)), [at for at in lost if at < n - 1])
        once = fed(whole)
        often = fed(whole, cuts=[cut for cut in cuts if cut < len(whole)])
        for name in once.__slots__:
            first, second = getattr(once, name), getattr(often, name)
            if name in ("avar", "bridged"):
                assert [p.n for p in first] == [p.n for p in second]
                first, second = [p.avar for p in first], [p.avar for p in second]
            if name == "slope_ppm_per_s" and first is not None:
                assert second == pytest.approx(first, rel=1e-12, abs=1e-21)
            elif first is None or isinstance(first, bool):
                assert first == second
            elif name == "phase_blocks":
                assert second.length == first.length
                assert second.means == pytest.approx(first.means, rel=1e-12, abs=1e-9)
            else:
                assert second == pytest.approx(first, rel=1e-12)

    of()


@settings(max_examples=20, deadline=None)
@given(lost=st.sets(st.integers(1, 397), max_size=60), seed=st.integers(0, 99))
def test_gaps_split_and_bridge(lost, seed):
    f = noisy(400, noise=1e-8, seed=seed)
    stats = fed(without(columns(f), lost), cuts=(13, 200, 333))
    y = (f - f[0]) / NOMINAL_HZ * 1e6
    y[list(lost)] = np.nan
    for points, share in ((stats.avar, 1.0), (stats.bridged, 0.5)):
        for point in points:
            squares = brute_squares(y, point.m, share)
            assert point.n == len(squares)
            assert point.avar == pytest.approx(np.mean(squares) / 2, rel=1e-9)


def brute_squares(y, m, share):
    """Squared differences of adjacent averages, each with its share of readings."""
    window, there = np.ones(m), ~np.isnan(y)
    counts = np.rint(np.convolve(there, window, "valid"))
    means = np.convolve(np.where(there, y, 0.0), window, "valid")
    means /= np.maximum(counts, 1)
    enough = counts >= share * m
    return np.square(means[m:] - means[:-m])[enough[m:] & enough[:-m]]


def test_long_runs_are_thinned_not_forgotten():
    n = 2 * REACH + 5000
    f = noisy(n, noise=1e-9)
    stats = fed(columns(f), cuts=range(0, n, 9999))
    assert stats.avar[-1].m == REACH
    assert stats.avar[15].n == n - 2 * 32768 + 1
    x = np.concatenate(([0.0], np.cumsum(f - f[0])))[::2] * 1e6 / NOMINAL_HZ
    lag = REACH // 2
    second = x[2 * lag :] - 2 * x[lag:-lag] + x[: -2 * lag]
    expected = np.mean(second**2) / 2 / (2 * lag) ** 2
    assert stats.avar[16].m == 2 * lag
    assert stats.avar[16].avar == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("octave", "stride"), [(14, 1), (15, 1), (16, 2)])
def test_the_first_gap_of_a_long_run_is_bridged(octave, stride):
    """Readings are counted from the first gap on; until then all are there."""
    n, m = 2 * REACH + 20_000, 1 << octave
    lost = np.arange(n - 6_000, n - 5_900)
    f = noisy(n, noise=1e-8)
    stats = fed(without(columns(f), set(lost.tolist())), cuts=range(0, n - 100, 9_999))
    there = np.ones(n, bool)
    there[lost] = False
    y = np.where(there, (f - f[0]) / NOMINAL_HZ * 1e6, 0.0)
    sums, counts = (
        np.concatenate(([0], np.cumsum(one)))[::stride] for one in (y, there)
    )
    lag = m // stride
    means, counts = (one[lag:] - one[:-lag] for one in (sums, counts))
    for points, share in ((stats.avar, 1.0), (stats.bridged, 0.5)):
        enough = counts >= share * m
        pairs = enough[lag:] & enough[:-lag]
        apart = (means / np.maximum(counts, 1))[lag:] - (means / counts)[:-lag]
        assert points[octave].m == m
        assert points[octave].n == np.count_nonzero(pairs)
        expected = np.mean(apart[pairs] ** 2) / 2
        assert points[octave].avar == pytest.approx(expected, rel=1e-9)


def test_memory_follows_the_logarithm_of_the_length():
    """A level per doubling beyond 131,072 readings, 1.3 MB each; 3.1 MB before."""
    running = Running(NOMINAL_HZ)
    whole = columns(noisy(50_000))
    sizes = []
    tracemalloc.start()
    try:
        for _ in range(12):
            running.feed(whole)
            whole.mono_ns[:] += 50_000 * 1_000_000_000
            sizes.append(tracemalloc.get_traced_memory()[0])
    finally:
        tracemalloc.stop()
    assert running.stats().n == 600_000
    assert sizes[-1] < 9e6, sizes
    assert sizes[-1] == pytest.approx(sizes[-6], abs=2.5e6)  # one more level


def test_equal_to_the_offline_stability_of_the_same_run():
    whole = without(columns(noisy(3000, noise=1e-9)), range(1000, 1040))
    stats = fed(whole)
    rows = stability(series_from_columns(whole, NOMINAL_HZ)).rows
    for point, row in zip(stats.bridged, rows, strict=False):
        assert (point.m, point.n) == (row.m, row.n)
        assert point.avar == pytest.approx(row.value**2 * 1e12, rel=1e-9)


def test_divider_ambient_flags_and_times():
    whole = columns(
        np.full(6, 1600.5),
        ambient_c=[20, 21, np.nan, 24, 22, np.nan],
        flags=[1, 4, 4, 16, 16, 0],
        gate_s=0.5,
    )
    stats = fed(whole, divider=10_000.0)
    assert stats.mean_hz == pytest.approx(16.005e6)
    assert stats.offset_ppm == pytest.approx(312.5)
    assert (stats.ambient_mean_c, stats.ambient_min_c, stats.ambient_max_c) == (
        21.75,
        20.0,
        24.0,
    )
    assert (stats.n_ambient, stats.n_typed_ambient, stats.n_suspect) == (4, 2, 2)
    assert stats.simulated
    assert (stats.tau0_s, stats.gate_s, stats.span_s) == (0.5, 0.5, 3.0)
    assert stats.last_utc_ns - stats.first_utc_ns == 2_500_000_000


def test_segments_follow_utc_and_split_blocks():
    first, second = columns(noisy(40)), columns(noisy(40, seed=2))
    second.segment[:] = 2
    second.utc_ns[:] += 1000 * 1_000_000_000
    second.mono_ns[:] = np.arange(1, 41) * 1_000_000_000
    running = Running(NOMINAL_HZ)
    running.feed(first)
    running.feed(second)
    stats = running.stats()
    assert stats.gaps == 1
    assert stats.span_s == pytest.approx(1040.0)
    assert stats.avar[0].n == 2 * 39
    assert stats.bridged[0].n == 2 * 39


def test_a_changed_gate_begins_anew_but_is_no_gap():
    whole = columns(noisy(20))
    whole.gate_s[10:] = 2.0
    assert fed(whole).gaps == 0
    assert fed(whole).avar[0].n == 9 + 9


def test_nothing_and_one():
    assert Running(NOMINAL_HZ).stats().n == 0
    one = fed(columns(noisy(1), flags=int(Flag.GAP_BEFORE)))
    assert (one.n, one.gaps, one.jitter_ppm_rms, one.avar) == (1, 0, None, ())
    assert one.slope_ppm_per_s is None
    two = fed(columns(noisy(2)))
    assert two.jitter_ppm_rms is None
    assert two.slope_ppm_per_s is not None


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 0.0, -1.0])
def test_impossible_frequencies_are_refused_whole(bad):
    running = Running(NOMINAL_HZ)
    with pytest.raises(DataError, match="not a number above zero"):
        running.feed(columns([16e6, bad]))
    assert running.stats().n == 0


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_impossible_nominal(bad):
    with pytest.raises(ValueError, match="above zero"):
        Running(bad)
