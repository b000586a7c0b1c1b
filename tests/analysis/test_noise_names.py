"""Which noise is named: exponents of averaged noise, and a table of confusion.

`python tests/analysis/test_noise_names.py` prints the table kept in `noise_names.md`.
The bounds are derived in `lag_one.py`; the noises here are made by other means: sums of
white noise, and a 1/f spectrum (`noise_makers`). Nothing was tuned on them.
"""

import argparse
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

from noise_makers import make
from seeds import seeded_generator

from benchlog.analysis.series import Series
from benchlog.analysis.stability.estimation import DeviationRequest, stability
from benchlog.analysis.stability.lag_one import (
    averaged_exponent,
    phase_noise_ratios,
    placed,
    sampled_exponent,
)
from benchlog.analysis.stability.noise_identification import NOISE_NAMES

ALPHAS = {name: alpha for alpha, name in NOISE_NAMES.items()}
READINGS = (100, 300, 1000, 3000, 10_000)
FACTORS = (1, 2, 4, 8, 16, 32, 64)


def noise(alpha, rng, runs, n):
    """Return frequency values of the noise, shape (runs, n)."""
    base = make("flicker FM" if alpha % 2 else "white FM", rng, runs, n + 1)
    if alpha > 0:
        return np.diff(base, axis=1)
    for _ in range(-alpha // 2):
        base = np.cumsum(base, axis=1)
    return base[:, 1:]


def names(alpha, rng, runs, n):
    """Return how often each noise is named at each factor."""
    found = {m: Counter() for m in FACTORS}
    for y in noise(alpha, rng, runs, n):
        for row in stability(Series(y, 1.0)).rows:
            if row.m in found and n >= 30 * row.m:
                found[row.m][row.noise] += 1
    return {m: counted for m, counted in found.items() if counted}


# --- exponents, against values that were found without this code


@pytest.mark.parametrize(
    ("alpha", "m", "exponent"),
    [
        (2, 1, 2.0),  # r1 = -1/2 of differences of white noise
        (2, 16, 2.0),
        (0, 1, 0.0),
        (0, 16, 0.0),
        (-1, 16, -1.446),  # by hand in the next test
        (-2, 1, -2.0),  # its differences are white
        (-2, 4096, -2.4),  # r1 = 1/4: a triangle, (1/6)/(2/3)
        (-4, 1, -4.0),
    ],
)
def test_the_exponent_of_averaged_noise(alpha, m, exponent):
    assert averaged_exponent(alpha, m) == pytest.approx(exponent, abs=5e-4)


def test_averaged_flicker_by_hand():
    """Phase k^2 ln k, fourth differences over m: m falls out of the ratio."""
    f = {k: k * k * np.log(max(k, 1)) for k in range(4)}
    r1 = (7 * f[1] - 4 * f[2] + f[3]) / (-8 * f[1] + 2 * f[2])
    found = -2.0 * (r1 / (1.0 + r1) + 1.0)
    assert averaged_exponent(-1, 7) == pytest.approx(found, rel=1e-12)


@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2, -3, -4])
def test_noise_of_one_value_a_gate_has_its_own_exponent(alpha):
    assert sampled_exponent(alpha, 1) == pytest.approx(alpha, abs=1e-12)
    if alpha != 1:  # flicker PM: the cut-off is another
        far = averaged_exponent(alpha, 256)
        assert sampled_exponent(alpha, 32) == pytest.approx(far, abs=4e-3)


def test_bounds_lie_midway_and_the_blend_has_no_step():
    bound = (averaged_exponent(-1, 64) + averaged_exponent(-2, 4096)) / 2
    assert bound == pytest.approx(-1.923, abs=1e-3)
    assert placed(bound + 1e-2, 64)[0] == -1
    assert placed(bound - 1e-2, 64)[0] == -2
    for m in (1, 2, 16, 1000):
        grid = np.linspace(2.5, -5.0, 3001)
        blends = [placed(float(at), m)[1] for at in grid]
        assert blends[0] == 1.0 and blends[-1] == -4.0
        assert np.all(np.diff(blends) <= 0)
        assert np.max(-np.diff(blends)) < 0.1  # 0.0025 apart
    assert placed(-1.446, 16) == (-1, -1.0)
    assert placed(-2.398, 16) == (-2, -2.0)


def test_the_modified_allan_variance_of_phase_noises_goes_as_the_handbook_has_it():
    """SP 1065 table 3, from memory: tau^-3 for white PM, tau^-2 for flicker PM."""
    white, flicker = phase_noise_ratios(64, 128)
    assert (white, flicker) == pytest.approx((-3 * np.log(2), -2 * np.log(2)))
    assert phase_noise_ratios(16, 32)[1] == pytest.approx(-2 * np.log(2), abs=0.01)
    y = noise(1, seeded_generator(3), 8, 1 << 13)
    values = [
        [row.value**2 for row in stability(Series(one, 1.0), "mdev").rows[:2]]
        for one in y
    ]
    first, second = np.mean(values, axis=0)
    assert np.log(second / first) == pytest.approx(phase_noise_ratios(1, 2)[1], abs=0.1)


# --- names


@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
def test_averages_of_a_long_run_are_named_rightly(alpha):
    """10,000 readings; rounding the exponent called 23 % of flicker random walk."""
    found = names(alpha, seeded_generator(21), 10, 10_000)
    assert found[1][NOISE_NAMES[alpha]] == 10
    assert found[16][NOISE_NAMES[alpha]] == 10


@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
def test_shorter_runs_are_named_rightly_as_the_table_has_it(alpha):
    for n in (300, 1000):
        runs = 40
        for m, counted in names(alpha, seeded_generator(22), runs, n).items():
            if n >= 30 * m:
                assert counted[NOISE_NAMES[alpha]] >= 0.85 * runs, (n, m, counted)


def test_a_name_that_changes_steps_no_value():
    """The same data at every averaging time; near a bound names come and go."""
    rng = seeded_generator(23)
    y = 0.35 * noise(-2, rng, 1, 4000)[0] + 3 * noise(-1, rng, 1, 4000)[0]
    taus = tuple(float(m) for m in range(20, 140))
    request = DeviationRequest(taus_s=taus)
    rows = stability(Series(y, 1.0), "totdev", request).rows
    raw = stability(Series(y, 1.0), "adev", request).rows
    ratio = np.log([a.value / b.value for a, b in zip(rows, raw, strict=True)])
    edf = np.log([row.edf * row.m for row in rows])
    assert np.max(np.abs(np.diff(ratio))) < 0.02
    assert np.max(np.abs(np.diff(edf))) < 0.02


def test_total_deviation_names_a_drift():
    y = 1e-10 * seeded_generator(8).standard_normal(20_000)
    y += 2e-14 * np.arange(len(y))
    rows = stability(Series(y, 1.0), "totdev").rows
    drifts = [row for row in rows if row.noise == "drift"]
    assert len(drifts) >= 4 and drifts[-1] == rows[-1]
    for row in drifts:
        assert row.value == pytest.approx(2e-14 * row.tau_s / 2**0.5, rel=0.1)
        assert row.edf is None


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rng = seeded_generator(asked.seed)
    print("named, in % of the runs: rightly, and beside it what else")
    for name, alpha in ALPHAS.items():
        for n in READINGS:
            found = names(alpha, rng, asked.runs, n)
            for m, counted in found.items():
                total = sum(counted.values())
                right = 100.0 * counted.pop(name, 0) / total
                others = ", ".join(
                    f"{other} {100.0 * times / total:.3g}"
                    for other, times in counted.most_common()
                )
                print(f"{name:16}{n:7,}{m:4}{right:8.1f}  {others}".rstrip())


if __name__ == "__main__":
    main()
