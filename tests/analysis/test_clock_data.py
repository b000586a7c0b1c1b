"""Runs of an oscillator whose slow noise hides under the counter: the next one holds.

One test simulates such a pair from its physics. The other reads clock data that you
have: a folder named by the environment variable BENCHLOG_CLOCK_DATA, each file one
column of numbers (`#` begins a comment). A line `# phase` makes it phase in seconds,
else it is frequency (fractional, or Hz); a line `# tau0 = 10` tells the spacing in
seconds, else 1. Both cut the record in runs and ask how often the mean of the next run
lies within t sqrt(2) u of the mean of one.
"""

import os
import re
from pathlib import Path

import numpy as np
import pytest
from columns_maker import columns
from noise_makers import allan_variance, make
from scipy.special import stdtrit
from seeds import seeded_generator

from benchlog.analysis.running import Running
from benchlog.analysis.uncertainty import mean_uncertainty

LENGTHS = (30, 100, 300, 1000)
FOLDER = os.environ.get("BENCHLOG_CLOCK_DATA", "")
FILES = sorted(Path(FOLDER).iterdir()) if FOLDER else []


def held(fractional, n, tau0_s=1.0):
    """Return how many of the runs of `n` hold the next, and how many there are."""
    hits, runs = 0, len(fractional) // n
    means, halves = [], []
    for at in range(runs):
        running = Running(1e6)
        some = fractional[at * n : (at + 1) * n]
        running.feed(columns(1e6 * (1.0 + some), gate_s=tau0_s))
        found = mean_uncertainty(running.stats())
        half = stdtrit(found.degrees_of_freedom, 0.975) * np.sqrt(2.0) * found.u_ppm
        means.append(some.mean() * 1e6)
        halves.append(half)
    hits = np.abs(np.diff(means)) <= halves[:-1]
    return int(hits.sum()), len(hits)


def oven_oscillator(rng, n):
    """A counter's phase noise, a floor of flicker, a slow walk and ageing.

    White PM has the Allan deviation 2e-11 at 1 s, flicker FM 3e-13, random-walk FM
    2e-14 sqrt(tau), and it ages by 2e-11 a day: slow noise is seen from 100 s on.
    """
    y = np.zeros(n)
    for kind, adev in (
        ("white PM", 2e-11),
        ("flicker FM", 3e-13),
        ("random-walk FM", 2e-14),
    ):
        y += adev / allan_variance(kind, 1, n) ** 0.5 * make(kind, rng, 1, n)[0]
    return y + 2e-11 / 86_400 * np.arange(n)


@pytest.mark.parametrize("n", LENGTHS)
def test_the_next_run_of_a_simulated_oven_oscillator_is_held(n):
    hits, runs = held(oven_oscillator(seeded_generator(12), 20_000)[: 150 * n], n)
    assert hits >= 0.95 * runs - 2.5 * (0.95 * 0.05 * runs) ** 0.5


def read(path):
    """Return fractional frequencies and their spacing in s."""
    text = path.read_text("utf-8")
    tau0 = re.search(r"#.*\btau0\s*=\s*([\d.eE+-]+)", text)
    tau0_s = float(tau0[1]) if tau0 else 1.0
    values = np.loadtxt(path, usecols=0, ndmin=1)
    if re.search(r"#.*\bphase\b", text):
        return np.diff(values) / tau0_s, tau0_s
    middle = float(np.median(values))
    return (values - middle) / (middle if abs(middle) > 1.0 else 1.0), tau0_s


@pytest.mark.skipif(not FILES, reason="BENCHLOG_CLOCK_DATA names no folder with data")
@pytest.mark.parametrize("n", LENGTHS)
@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_the_next_run_of_clock_data_is_held(path, n):
    fractional, tau0_s = read(path)
    if len(fractional) < 10 * n:
        pytest.skip(f"{len(fractional)} values are too few for runs of {n}")
    hits, runs = held(fractional, n, tau0_s)
    print(f"{path.name}: {hits} of {runs} runs of {n}, {100 * hits / runs:.1f} %")
    assert hits >= 0.95 * runs - 2.5 * (0.95 * 0.05 * runs) ** 0.5


@pytest.mark.parametrize("head", ["", "# phase, tau0 = 10\n"])
def test_both_formats_are_read(tmp_path, head):
    path = tmp_path / "clock.txt"
    path.write_text(head + "0\n1e-9\n3e-9\n")
    fractional, tau0_s = read(path)
    wanted = [1e-10, 2e-10] if head else [-1e-9, 0.0, 2e-9]
    assert fractional == pytest.approx(wanted) and tau0_s == (10.0 if head else 1.0)
