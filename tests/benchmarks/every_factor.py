"""All averaging factors of a million phases: how long, and how exact.

    python tests/benchmarks/every_factor.py 1000000
    python tests/benchmarks/every_factor.py 1000000 whole

Peers for how exact: long double sums at some factors, fractions where fewer than 100
differences are left. Peer for how long: the differences added as they are, factor by
factor, by `mean_squares` (a sample of factors, times how many there are). Prints the
table that `EVERY_FACTOR.md` keeps. With `whole` four deviations are worked out from
readings, with noise names and intervals; and mdev where readings are missing.
"""

import resource
import sys
from fractions import Fraction
from math import comb
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from seeds import seeded_generator

from benchlog.analysis.series import Series
from benchlog.analysis.stability.deviations import SHARED, DeviationRequest
from benchlog.analysis.stability.estimation import stabilities
from benchlog.analysis.stability.every.all_factors import (
    ALLAN,
    HADAMARD,
    MODIFIED,
    direct_mean_square,
    every_mean_square,
)
from benchlog.clock import HostClock

SEED = 5
CLOCK = HostClock()
KINDS = {"adev": ALLAN, "hdev": HADAMARD, "mdev, tdev": MODIFIED}


def cases(n):
    """Noises by name, in units of tau0; the last one with an offset and a drift."""
    w = seeded_generator(SEED).standard_normal(n)
    k = np.arange(float(n))
    mixed = 1e-9 * w + 1e-12 * np.cumsum(w)
    return {
        "white FM": np.cumsum(w),
        "random-walk FM": np.cumsum(np.cumsum(w)),
        "white PM and FM, 30 ppm off, drifting": mixed + 3e-5 * k + 1e-13 * k**2,
    }


def long_double(phase, differences, m):
    """The mean square from long double sums."""
    values = phase.astype(np.longdouble)
    for _ in range(2 if differences.summed else differences.order):
        values = values[m:] - values[:-m]
    if (
        differences.summed
    ):  # sums over m, of differences: those of the phase lose digits
        values = np.concatenate(([0], np.cumsum(values)))
        values = values[m:] - values[:-m]
    return (values @ values) / len(values) / (m * m if differences.summed else 1)


def exact(phase, differences, m):
    """Long double sums; of few differences exact ones, as long double errs by 1e-9."""
    points = len(phase)
    if differences.summed or points - differences.order * m > 100:
        return float(long_double(phase, differences, m))
    total = Fraction(0)
    for k in range(points - differences.order * m):
        chosen = phase[k::m][: differences.order + 1]
        some = [Fraction(value) for value in chosen.tolist()]
        signs = [(-1) ** b * comb(differences.order, b) for b in range(len(some))]
        total += sum(a * b for a, b in zip(signs, some, strict=True)) ** 2
    return float(total / (points - differences.order * m))


def seconds(work):
    """Elapsed and processor time of a call, and what it returned."""
    start, used = CLOCK.mono_ns(), time_used()
    found = work()
    return (CLOCK.mono_ns() - start) / 1e9, time_used() - used, found


def time_used():
    """Processor time of this process, s."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def main(n):
    """Print a row for each noise and kind."""
    print("| noise | kind | s | processor s | plainly, processor s | worst error |")
    print("| --- | --- | --- | --- | --- | --- |")
    for name, phase in cases(n).items():
        for kind, differences in KINDS.items():
            top = (n - 1 + differences.summed) // differences.order
            took, used, found = seconds(
                lambda d=differences, t=top, p=phase: every_mean_square(p, d, t)
            )
            some = np.unique(np.geomspace(1, top, 25).astype(int)).tolist()
            peers = [exact(phase, differences, m) for m in some]
            worst = max(
                abs(float((found[m - 1] - value) / value))
                for m, value in zip(some, peers, strict=True)
            )
            spread = np.linspace(1, top, 41).astype(int).tolist()
            _, peer, _ = seconds(
                lambda d=differences, p=phase, s=spread: [
                    direct_mean_square(p, d, m) for m in s
                ]
            )
            plain = peer / len(spread) * top
            print(
                f"| {name} | {kind} | {took:.2f} | {used:.2f} | about {plain:,.0f} "
                f"| {worst:.0e} |",
                flush=True,
            )


def whole(n):
    """Print how long deviations take from readings on."""
    y = 1e-9 * seeded_generator(SEED).standard_normal(n)
    lost = seeded_generator(SEED).random(n)
    print("| readings | kinds | s | processor s |")
    print("| --- | --- | --- | --- |")
    for name, values, kinds in (
        ("white FM", y, SHARED),
        ("one in 100,000 missing", np.where(lost < 1e-5, np.nan, y), ("mdev",)),
        ("one in 100 missing", np.where(lost < 1e-2, np.nan, y), ("mdev",)),
    ):
        series, request = Series(values, 1.0), DeviationRequest(spacing="every")
        took, used, _ = seconds(
            lambda s=series, k=kinds, r=request: stabilities(s, k, r)
        )
        print(f"| {name} | {', '.join(kinds)} | {took:.2f} | {used:.2f} |", flush=True)


if __name__ == "__main__":
    if "whole" in sys.argv:
        whole(int(sys.argv[1]))
    else:
        main(int(sys.argv[1]))
