"""How often the interval of an offset by pulses holds, over loads, jitters and wanders.

Pulses 1 s apart of a source 3 ppm fast are stamped by a host of no offset, put on their
grid and compared as a judge does it. Stamps are astray in units of 0.4 ms: evenly on
both sides, or late by delays of many lengths over a little two-sided noise. A source
that wanders is held against its mean frequency over the run. "own" is the half-width
over 1.96 times the standard deviation of the offsets that were found; "white" is the
half-width over that of theory for white noise of 0.4 ms.

    python tests/pulse_campaign.py [--runs N] [--seed S] [--all-stamps]

With --all-stamps the line goes through all of them, late ones too.
"""

import argparse
import sys
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy.special import stdtrit

sys.path.insert(0, str(Path(__file__).parent))

from noise_makers import lingering
from pulse_makers import feed
from seeds import seeded_generator

from benchlog.analysis.pulses.grid import PulseTracker
from benchlog.analysis.pulses.slope import fit_slope
from benchlog.analysis.pulses.trains import against, against_host

PULSES = (25, 60, 100, 300, 1000)
JITTER_S = 4e-4
OFFSET = 3e-6


def two_sided(n, rng):
    return rng.standard_normal(n)


def one_sided(n, rng):
    return 0.2 * rng.standard_normal(n) + rng.exponential(1.0, n)


def stays(share):
    """Return noise of which a share stays from one stamp to the next; rms 1."""

    def made(n, rng):
        noise = lingering(share, rng.standard_normal(n + 100))[100:]
        return noise * np.sqrt(1 - share**2)

    return made


def growing_delay(n, rng):
    return 0.2 * rng.standard_normal(n) + rng.exponential(0.2 + 2 * np.arange(n) / n)


def growing_share(n, rng):
    late = rng.random(n) < 0.05 + 0.45 * np.arange(n) / n
    return 0.2 * rng.standard_normal(n) + late * rng.uniform(0.5, 5.0, n)


def changing_load(n, rng):
    busy = (np.arange(n) / n * rng.uniform(0.7, 3.0) + rng.random()) % 1 < 0.5
    usual = rng.exponential(0.2, n)
    late = (rng.random(n) < 0.6) * rng.exponential(2.0, n)
    return 0.2 * rng.standard_normal(n) + np.where(busy, late, usual)


class Cell(NamedTuple):
    """Delays of the stamps in units of 0.4 ms; what else the source and host do."""

    delay: object
    pair: bool = False
    lost: float = 0.0
    walk: float = 0.0  # of the source's phase, each second, in the same unit


CELLS = {
    "two-sided": Cell(two_sided),
    "two-sided, a pair": Cell(two_sided, pair=True),
    "one-sided": Cell(one_sided),
    "half stays": Cell(stays(0.5)),
    "0.9 stays": Cell(stays(0.9)),
    "growing delay": Cell(growing_delay),
    "growing delay, a pair": Cell(growing_delay, pair=True),
    "growing share late": Cell(growing_share),
    "changing load": Cell(changing_load),
    "growing share, 20 % lost": Cell(growing_share, lost=0.2),
    "two-sided, 20 % lost": Cell(two_sided, lost=0.2),
    "source wanders": Cell(two_sided, walk=0.1),
}


def train(times_s, delay, lost, rng):
    """Return the good pulses of stamps of these times, some lost."""
    stamps = np.round((1000.0 + times_s + JITTER_S * delay) * 1e9).astype(np.int64)
    tracker = PulseTracker(1.0)
    feed(tracker, np.sort(stamps[rng.random(len(stamps)) >= lost]))
    return tracker.train()


def error_and_half(cell, n, rng, all_stamps=False):
    """Return how far one found offset is from the truth, and its half-width."""
    gained_s = np.cumsum(cell.walk * JITTER_S * rng.standard_normal(n))
    times_s = np.arange(n) / (1 + OFFSET) - gained_s
    truth = OFFSET + (gained_s[-1] - gained_s[0]) / (n - 1)
    ours = train(times_s, cell.delay(n, rng), cell.lost, rng)
    if cell.pair:
        theirs = train(np.arange(n) + 0.3, 0.25 * cell.delay(n, rng), 0.0, rng)
        found = against(ours, theirs)
    else:
        found = against_host(ours)
    line, offset = found.line, found.offset
    if all_stamps:
        line = fit_slope(found.t_s, found.error_s, found.group)
        offset = line.slope
    k = 2.0 if line.freedom > 60 else float(stdtrit(line.freedom, 0.975))
    return offset - truth, k * line.u


def figures(cell, n, runs, rng, all_stamps=False):
    """Return the share held in %, and the median half-width two ways."""
    found = np.array([error_and_half(cell, n, rng, all_stamps) for _ in range(runs)])
    held = 100 * np.mean(np.abs(found[:, 0]) <= found[:, 1])
    half = float(np.median(found[:, 1]))
    white = 1.96 * JITTER_S * np.sqrt(12.0 / (n * (n**2 - 1.0)))
    return held, half / (1.96 * np.std(found[:, 0])), half / white


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--all-stamps", action="store_true")
    asked = parser.parse_args(arguments)
    rng = seeded_generator(asked.seed)
    print("held in %, half-width over own scatter / over theory of white noise")
    print("| stamps | " + " | ".join(str(n) for n in PULSES) + " |")
    print("| --- |" + " --- |" * len(PULSES))
    for name, cell in CELLS.items():
        row = []
        for n in PULSES:
            held, own, white = figures(cell, n, asked.runs, rng, asked.all_stamps)
            row.append(f"{held:.0f} ({own:.2f} / {white:.2f})")
        print(f"| {name} | " + " | ".join(row) + " |", flush=True)


if __name__ == "__main__":
    main()
