"""From frequencies to a deviation at every averaging factor, to 1e-9 of a mean square.

Peer: the definitions (NIST SP 1065, 5.2; from memory) summed in long double, 80 bits on
x86, at factors from the shortest to the longest. An offset of 1e6 times the scatter and
a drift of 1e3 times it over the run are there throughout.
"""

from itertools import pairwise

import numpy as np
import pytest
from noise_makers import make
from seeds import seeded_generator

from benchlog.analysis.series import Series
from benchlog.analysis.stability.deviations import DeviationRequest
from benchlog.analysis.stability.estimation import stabilities

NOISES = (
    *("white PM", "flicker PM", "white FM", "flicker FM", "random-walk FM"),
    "white FM, no drift",
)
EXACT = 0.5e-9  # of a deviation
EVERY = DeviationRequest(spacing="every")
TAU0_S = 0.25


def readings(noise, n):
    """Frequencies of one noise, an offset and a drift."""
    made = make(noise.split(",")[0], seeded_generator(n), 1, n)[0]
    made /= np.diff(made).std()
    drift = 0.0 if "," in noise else 1e3
    return 1e-9 * (made + 1e6 + drift * np.arange(n) / n)


def summed_squares(y, kind, m):
    """Sum of squares of one unbroken stretch in long double, and of how many."""
    x = np.concatenate(([0], np.cumsum(y.astype(np.longdouble) - y.mean())))
    for _ in range(3 if kind == "hdev" else 2):
        x = x[m:] - x[:-m]
    if kind in ("mdev", "tdev"):
        x = np.concatenate(([0], np.cumsum(x)))
        x = (x[m:] - x[:-m]) / m
    return (x @ x), len(x)


def peer(stretches, kind, m):
    """The deviation, and of how many differences."""
    few, more = {"adev": (2, 1), "hdev": (3, 1)}.get(kind, (3, 2))
    found = [summed_squares(y, kind, m) for y in stretches if len(y) + more > few * m]
    total, n = (sum(one) for one in zip(*found, strict=True))
    value = np.sqrt(total / n / (6 if kind == "hdev" else 2)) / m
    if kind == "tdev":
        value *= m * TAU0_S / np.sqrt(np.longdouble(3))
    return float(value), n


def chosen(top, count=21):
    return np.unique(np.geomspace(1, top, count).astype(int)).tolist()


def check(y, kinds, stretches):
    for found in stabilities(Series(y, TAU0_S), kinds, EVERY):
        assert len(found.rows) == len(y) // 2
        last = max(row.m for row in found.rows[-1::-1][: len(y)] if row.n)
        for m in [*chosen(last), last - 1]:
            row = found.rows[m - 1]
            value, n = peer(stretches, found.kind, m)
            assert (row.m, row.n) == (m, n)
            assert row.value == pytest.approx(value, rel=EXACT, abs=0.0), (
                found.kind,
                m,
            )


@pytest.mark.parametrize("noise", NOISES)
def test_every_factor_of_ten_thousand(noise):
    y = readings(noise, 10_000)
    check(y, ("adev", "mdev", "tdev", "hdev"), [y])


@pytest.mark.slow
@pytest.mark.parametrize("noise", NOISES)
def test_every_factor_of_a_hundred_thousand(noise):
    y = readings(noise, 100_000)
    check(y, ("adev", "mdev", "tdev", "hdev"), [y])


def gapped(y, rng):
    """Lose single readings, and some stretches; return what is left whole."""
    n = len(y)
    lost = np.zeros(n, np.bool_)
    lost[rng.integers(0, n // 3, n // 300)] = True
    for start in rng.integers(n // 3, n, 5):
        lost[start : start + n // 500] = True
    kept = np.where(lost, np.nan, y)
    edges = np.flatnonzero(np.diff(lost, prepend=True, append=True))
    return kept, [y[a:b] for a, b in pairwise(edges.tolist()) if not lost[a]]


@pytest.mark.parametrize("noise", NOISES)
def test_windows_without_a_gap_at_every_factor(noise):
    y, left = gapped(readings(noise, 10_000), seeded_generator(31))
    assert min(map(len, left)) < 100
    assert max(map(len, left)) > 1000
    check(y, ("mdev", "tdev"), left)


@pytest.mark.slow
@pytest.mark.parametrize("noise", NOISES)
def test_windows_without_a_gap_of_a_hundred_thousand(noise):
    y, left = gapped(readings(noise, 100_000), seeded_generator(32))
    check(y, ("mdev", "tdev"), left)
