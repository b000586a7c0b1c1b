"""Simulated histories of checks of a time base that nobody moved.

`PYTHONPATH=tests python tests/verdict/check_histories.py 1000` prints the table of
CONTRADICTIONS.md.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from seeds import seeded_generator

from benchlog.model import Identity, InstrumentSpec, ReferenceCheck
from benchlog.units import NS_PER_S
from benchlog.verdict.timebase.governing_check import ChecksInForce

DAY_NS = 86_400 * NS_PER_S
WHO = Identity("M,C,7,1", "M", "C", "7", "1")
U_PPM = 5e-5
"""Standard uncertainty of each simulated check."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One kind of time base: what is stated of it and how it moves."""

    name: str
    stated_ppm: float | None
    checks: int
    every_days: float = 1.0
    walk_ppb: float = 0.0  # in the root of a day
    afresh_ppb: float = 0.0
    ageing_ppb: float = 0.0  # a day
    jump_ppb: float = 0.0  # once, before the last check


def history(cell: Cell, rng: np.random.Generator) -> list[ReferenceCheck]:
    """Return the checks of one time base."""
    days = np.arange(cell.checks) * cell.every_days
    steps = rng.normal(0.0, 1.0, cell.checks) * np.sqrt(cell.every_days)
    ppb = cell.walk_ppb * np.cumsum(steps) + cell.ageing_ppb * days
    ppb += cell.afresh_ppb * rng.normal(0.0, 1.0, cell.checks)
    ppb[-1] += cell.jump_ppb
    ppm = 0.2 + 1e-3 * ppb + rng.normal(0.0, U_PPM, cell.checks)
    return [
        ReferenceCheck(
            instrument=WHO,
            offset_ppm=float(one),
            u_ppm=U_PPM,
            method="pps",
            at_utc_ns=round(day * DAY_NS),
            valid_until_utc_ns=round((day + 30) * DAY_NS),
        )
        for day, one in zip(days, ppm, strict=True)
    ]


def contradicting(cell: Cell, runs: int, seed: int) -> float:
    """Return the share of histories in which any two checks contradict."""
    rng = seeded_generator(seed)
    spec = InstrumentSpec(name="c", driver="d", timebase_ppm=cell.stated_ppm)
    found = 0
    for _ in range(runs):
        standing = ChecksInForce(spec)
        for check in history(cell, rng):
            standing.add_check(check)
        found += bool(standing.contradicted)
    return found / runs


def cells() -> Iterator[Cell]:
    """Yield what is looked at."""
    for stated in (None, 0.01, 0.05, 0.5):
        said = "nothing" if stated is None else f"{stated:g}"
        for checks in (2, 5, 30, 100):
            for moves in (
                {},
                {"walk_ppb": 0.5},
                {"afresh_ppb": 0.5},
                {"walk_ppb": 0.5, "ageing_ppb": 0.5},
            ):
                yield Cell(name=said, stated_ppm=stated, checks=checks, **moves)


def jumps() -> Iterator[Cell]:
    """Yield time bases that were moved before the last check: they should be told."""
    for jump in (1.0, 3.0, 10.0, 30.0):
        for checks in (2, 10, 30):
            for walk in (0.0, 0.5):
                yield Cell(
                    name="0.05",
                    stated_ppm=0.05,
                    checks=checks,
                    walk_ppb=walk,
                    jump_ppb=jump,
                )


def main(runs: int) -> None:
    """Print the tables."""
    print("| stated ppm | checks | walk ppb | afresh ppb | ageing ppb/day | any |")
    print("| --- | --- | --- | --- | --- | --- |")
    for seed, one in enumerate(cells()):
        share = contradicting(one, runs, seed)
        print(
            f"| {one.name} | {one.checks} | {one.walk_ppb:g} | {one.afresh_ppb:g} "
            f"| {one.ageing_ppb:g} | {100 * share:.1f} % |"
        )
    print("\n| jump ppb | checks | walk ppb | told |\n| --- | --- | --- | --- |")
    for seed, one in enumerate(jumps(), 100):
        share = contradicting(one, runs, seed)
        print(
            f"| {one.jump_ppb:g} | {one.checks} | {one.walk_ppb:g} "
            f"| {100 * share:.1f} % |"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
