"""Octaves in one go through the phase: what single factors give, and long double."""

import numpy as np
import pytest
from seeds import seeded_generator

from benchlog.analysis.stability.difference_sums import mean_squares
from benchlog.analysis.stability.octave_squares import LONG, octave_sums

KINDS = ("allan", "hadamard", "modified")


def octaves_of(n):
    return [1 << k for k in range(((n - 1) // 2).bit_length())]


def walk(n):
    """White FM of a device: its phase."""
    return np.cumsum(seeded_generator(n).standard_normal(n))


def drifting(n):
    """White PM under a drift and an offset that are 1e5 times as much at the end."""
    t = np.arange(n) / n
    return 1e5 * (t * t + t) + seeded_generator(n).standard_normal(n)


def in_long_double(phase, m):
    """Mean squares by their definitions, in x87's 64 bits of mantissa."""
    x = phase.astype(np.longdouble)
    second = (x[2 * m :] - x[m:-m]) - (x[m:-m] - x[: -2 * m])
    third = second[m:] - second[:-m] if len(second) > m else second[:0]
    sums = np.concatenate(([0], np.cumsum(second)))
    moved = (sums[m:] - sums[:-m]) / m
    return [np.mean(one * one) if len(one) else 0 for one in (second, third, moved)]


# rows of 2^7 or 2^8: whole ones, one left over, a few, all but one
@pytest.mark.parametrize("n", [LONG, LONG + 1, LONG + 77, 65_535, 65_536, 70_001])
@pytest.mark.parametrize("made", [walk, drifting])
def test_octaves_are_what_single_factors_give(n, made):
    phase, factors = made(n), octaves_of(n)
    together = mean_squares(phase, factors)
    for one in together:
        (alone,) = (
            mean_squares(phase, [one.m])
            if one.m > 1
            else mean_squares(phase, [1, 3])[:1]
        )
        for kind in KINDS:
            assert getattr(one, f"n_{kind}") == getattr(alone, f"n_{kind}")
            assert getattr(one, kind) == pytest.approx(getattr(alone, kind), rel=1e-9)
    allan = mean_squares(phase, factors, only_allan=True)
    assert [one.allan for one in allan] == pytest.approx(
        [one.allan for one in together], rel=1e-12
    )
    assert not any(one.n_hadamard or one.n_modified for one in allan)


@pytest.mark.skipif(
    np.finfo(np.longdouble).nmant < 60, reason="long double is double here"
)
@pytest.mark.parametrize(("made", "within"), [(walk, 1e-13), (drifting, 1e-10)])
def test_every_octave_against_long_double(made, within):
    """Rounding of a phase of 2e5 is 1.5e-11 of the noise; a mean square averages it."""
    n = LONG + 4321
    phase = made(n)
    for one in mean_squares(phase, octaves_of(n)):
        theirs = [float(value) for value in in_long_double(phase, one.m)]
        assert [getattr(one, k) for k in KINDS] == pytest.approx(theirs, rel=within)


def test_octaves_too_long_for_the_data_have_nothing():
    sums = octave_sums(walk(100), 9)
    assert all(one.allan > 0 for one in sums[:6])
    assert all(one.allan == one.hadamard == one.modified == 0 for one in sums[7:])
