"""The search for a trim code, on registers of several makes, restless and drifting."""

import random
from itertools import pairwise

import pytest

from benchlog.analysis.trimsearch import TrimSearch
from benchlog.errors import DataError
from benchlog.model import TrimRange
from benchlog.simulate.firmware import two_ranges

NOISE = 0.03
DRIFT = 0.005


def even(rng):
    steps = [
        rng.uniform(2_500, 6_000) * max(0.1, rng.gauss(1, 0.3)) for _ in range(128)
    ]
    total = [sum(steps[: code + 1]) for code in range(128)]
    zero = total[rng.randrange(30, 100)] + rng.uniform(-0.5, 0.5) * steps[0]
    return [value - zero for value in total], ((0, 127),)


def binary(rng):
    """Bits that are a few percent off: the register runs backwards at carries."""
    weights = [rng.uniform(1_000, 3_000) * 2**k * rng.gauss(1, 0.04) for k in (0,)]
    weights += [weights[0] * 2**k * rng.gauss(1, 0.04) for k in range(1, 8)]
    total = [
        sum(w for k, w in enumerate(weights) if code >> k & 1) for code in range(256)
    ]
    zero = total[rng.randrange(60, 200)] + rng.uniform(-0.5, 0.5) * weights[0]
    return [value - zero for value in total], ((0, 255),)


def overlapping(rng):
    register = two_ranges(str(rng.random()), around=rng.randrange(30, 120))
    return list(register), ((0, 127), (128, 255))


def searched(make, seed):
    """Search one chip; return whether the best code was found, and the steps."""
    rng = random.Random(seed)
    register, safe = make(rng)
    gaps = sorted(abs(b - a) for a, b in pairwise(register))
    step = gaps[len(gaps) // 2]
    drift = rng.uniform(-DRIFT, DRIFT) * step
    search, turn = TrimSearch(TrimRange(safe)), 0
    while (code := search.next_code()) is not None:
        assert any(low <= code <= high for low, high in safe)
        noisy = register[code] + rng.gauss(0, NOISE * step) + drift * turn
        search.tell(code, noisy, NOISE * step)
        turn += 1
        assert turn < 200
    final = [value + drift * turn for value in register]
    codes = [code for low, high in safe for code in range(low, high + 1)]
    best = min(abs(final[code]) for code in codes)
    return abs(final[search.best.code]) <= best + 0.1 * step, turn, len(codes)


@pytest.mark.parametrize("make", [even, binary, overlapping])
def test_the_best_code_is_found_in_far_fewer_steps_than_a_sweep(make):
    results = [searched(make, seed) for seed in range(40)]
    assert sum(found for found, _, _ in results) >= 39
    steps = sorted(turn for _, turn, _ in results)
    assert steps[len(steps) // 2] <= results[0][2] / 4


@pytest.mark.slow
def test_five_hundred_chips():
    """The issue's count: 500 chips of all makes, at least 99 % found."""
    makes = (even, binary, overlapping)
    results = [searched(makes[seed % 3], 1_000 + seed) for seed in range(500)]
    found = sum(one for one, _, _ in results)
    steps = sorted(turn for _, turn, _ in results)
    print(f"\n500 chips: {found} found, median {steps[250]} steps, most {steps[-1]}")
    assert found >= 495
    assert steps[250] <= 32


def test_nothing_beyond_the_safe_codes_or_far_beyond_the_fastest_is_set():
    asked = []
    search = TrimSearch(TrimRange(((10, 90),), fastest_ppm=50_000.0), start=40)
    while (code := search.next_code()) is not None:
        asked.append(code)
        search.tell(code, (code - 45) * 4_000.0, 100.0)
    assert all(10 <= code <= 90 for code in asked)
    assert search.best.code == 45
    too_fast = [code for code in asked if (code - 45) * 4_000.0 > 50_000.0]
    assert len(too_fast) <= 1


def test_what_cannot_be_searched_is_said():
    with pytest.raises(DataError, match="code 5 is not within the safe codes 10 to 20"):
        TrimSearch(TrimRange(((10, 20),)), start=5)
    search = TrimSearch(TrimRange(((10, 20),)))
    with pytest.raises(DataError, match="finite"):
        search.tell(15, float("nan"), 1.0)
    with pytest.raises(DataError, match="no trim code"):
        _ = search.best
