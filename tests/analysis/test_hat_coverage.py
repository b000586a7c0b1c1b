"""How often the interval of a device's own deviation holds the truth.

The campaign (`pytest -m slow`, some minutes on one core) simulates three to five
devices at the same moments, each with noise of its own. The truth is the exact Allan
variance of that noise (`noise_makers`). `hat_coverage.md` beside this file keeps its
table; `python tests/analysis/test_hat_coverage.py` prints it.
"""

import sys
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

from noise_makers import allan_variance, make
from seeds import seeded_generator

from benchlog.analysis.series import Series
from benchlog.analysis.stability.cornered_hat import cornered_hat
from benchlog.analysis.stability.estimation import stability
from benchlog.errors import DataError

WFM, FFM, RWFM, WPM = "white FM", "flicker FM", "random-walk FM", "white PM"
BENCHES = {
    "three alike, white FM": ((WFM, 1.0),) * 3,
    "three alike, flicker FM": ((FFM, 1.0),) * 3,
    "three alike, random-walk FM": ((RWFM, 1.0),) * 3,
    "three alike, white PM": ((WPM, 1.0),) * 3,
    "white FM 1, 0.3, 0.1": ((WFM, 1.0), (WFM, 0.3), (WFM, 0.1)),
    "white FM 1, 1, 0.01": ((WFM, 1.0), (WFM, 1.0), (WFM, 0.01)),
    "white, flicker, random-walk FM": ((WFM, 1.0), (FFM, 0.5), (RWFM, 0.1)),
    "white PM, white, flicker FM": ((WPM, 1.0), (WFM, 0.5), (FFM, 0.3)),
    "four: white FM 1, flicker FM 1, 0.5, 0.2": (
        *((WFM, 1.0), (FFM, 1.0), (FFM, 0.5), (FFM, 0.2)),
    ),
    "five alike, flicker FM": ((FFM, 1.0),) * 5,
}
LENGTHS = (30, 100, 1000)
RUNS = 400
SEED = 1974


def told_of(bench, n, runs, rng):
    """Return per row (edf, held, resolved), of each device and averaging time."""
    y = np.stack([size * make(kind, rng, runs, n) for kind, size in bench], axis=1)
    truth = {
        m: [size * np.sqrt(allan_variance(kind, m, n)) for kind, size in bench]
        for m in (1 << k for k in range(n.bit_length()))
    }
    for run in y:
        pairs = {
            (i, j): stability(Series(run[i] - run[j], 1.0))
            for i, j in combinations(range(len(bench)), 2)
        }
        try:
            found = cornered_hat(pairs)
        except DataError:
            continue
        for row in found.rows:
            for own, value in zip(row.own, truth[row.m], strict=True):
                yield row.edf, own.low <= value <= own.high, own.resolved


def shares(bench, n, runs, rng):
    """Return (figures, held, resolved) in percent, of few degrees of freedom and of
    10 and more."""
    found = np.array(list(told_of(bench, n, runs, rng)), dtype=float)
    for chosen in (found[:, 0] < 10, found[:, 0] >= 10):
        some = found[chosen]
        yield len(some), 100 * some[:, 1].mean(), 100 * some[:, 2].mean()


def main():
    print("| devices | n | edf below 10: figures | held | resolved |", end="")
    print(" edf 10 and more: figures | held | resolved |")
    print("| --- " * 8 + "|")
    for number, (name, bench) in enumerate(BENCHES.items()):
        for n in LENGTHS:
            rng = seeded_generator(SEED + 10 * number + n)
            cells = [
                f"{count:,} | {held:.1f} % | {told:.0f} %"
                for count, held, told in shares(bench, n, RUNS, rng)
            ]
            print(f"| {name} | {n:,} | {' | '.join(cells)} |", flush=True)


@pytest.mark.slow
@pytest.mark.parametrize("name", BENCHES)
def test_intervals_of_every_bench_hold(name):
    for n in LENGTHS:
        few, many = shares(BENCHES[name], n, RUNS, seeded_generator(SEED + n))
        assert few[1] >= 90 and many[1] >= 93


@pytest.mark.parametrize("name", ["white FM 1, 0.3, 0.1", "three alike, flicker FM"])
def test_intervals_hold_as_often_as_they_say(name):
    """A thin slice of the campaign: 40 runs of 100 readings."""
    few, many = shares(BENCHES[name], 100, 40, seeded_generator(SEED))
    assert few[1] >= 85 and many[1] >= 90


if __name__ == "__main__":
    main()
