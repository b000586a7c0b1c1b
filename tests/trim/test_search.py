"""The search for a trim code, on registers of several makes, restless and drifting."""

import os
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import median

import pytest
from seeds import seeded_random

from benchlog.analysis.trim_search import TRIM_RULES, TrimSearch
from benchlog.errors import DataError
from benchlog.model import TrimRange
from benchlog.simulate.instruments.trim_firmware import two_ranges

NOISE = 0.03
DRIFT = 0.005


def even(rng):
    steps = [
        rng.uniform(2_500, 6_000) * max(0.1, rng.gauss(1, 0.3)) for _ in range(128)
    ]
    total = [sum(steps[: code + 1]) for code in range(128)]
    zero = total[rng.randrange(30, 100)] + rng.uniform(-0.5, 0.5) * steps[0]
    return [value - zero for value in total], ((3, 124),)


def binary(rng):
    """Bits that are a few percent off: the register runs backwards at carries."""
    weights = [rng.uniform(1_000, 3_000) * 2**k * rng.gauss(1, 0.04) for k in (0,)]
    weights += [weights[0] * 2**k * rng.gauss(1, 0.04) for k in range(1, 8)]
    total = [
        sum(w for k, w in enumerate(weights) if code >> k & 1) for code in range(256)
    ]
    zero = total[rng.randrange(60, 200)] + rng.uniform(-0.5, 0.5) * weights[0]
    return [value - zero for value in total], ((4, 251),)


def overlapping(rng):
    register = two_ranges(str(rng.random()), around=rng.randrange(30, 100))
    return list(register), ((0, 110), (128, 220))


@dataclass(frozen=True)
class Chip:
    """How the search went on one chip; `too_fast` are sets above the limit."""

    found: bool
    steps: int
    codes: int
    too_fast: int
    outside: int


def searched(make, seed, fastest_ppm=None, rules=TRIM_RULES):
    """Search one chip that is restless and drifts while it is searched."""
    rng = seeded_random(seed)
    register, safe = make(rng)
    gaps = sorted(abs(b - a) for a, b in pairwise(register))
    step = gaps[len(gaps) // 2]
    drift = rng.uniform(-DRIFT, DRIFT) * step
    search = TrimSearch(TrimRange(safe, fastest_ppm=fastest_ppm), rules=rules)
    given, offsets = [], []
    while (code := search.next_code()) is not None:
        given.append(code)
        offsets.append(register[code] + drift * len(given))
        search.tell(code, offsets[-1] + rng.gauss(0, NOISE * step), NOISE * step)
        assert len(given) < 200
    final = [value + drift * len(given) for value in register]
    codes = [code for low, high in safe for code in range(low, high + 1)]
    best = min(abs(final[code]) for code in codes)
    return Chip(
        abs(final[search.best.code]) <= best + 0.1 * step,
        len(given),
        len(codes),
        too_fast(given, offsets, safe, fastest_ppm),
        sum(code not in codes for code in given),
    )


def too_fast(given, offsets, safe, fastest_ppm):
    """Count sets above the limit; at most one is far over its interval's first."""
    fast = 0
    for low, high in safe:
        pairs = zip(given, offsets, strict=True)
        here = [ppm for code, ppm in pairs if low <= code <= high]
        above = [ppm for ppm in here if fastest_ppm is not None and ppm > fastest_ppm]
        unforeseen = [ppm for ppm in above if ppm > max(here[0], fastest_ppm) * 1.1]
        assert len(unforeseen) <= 1  # one single jump of the register
        fast += len(above)
    return fast


@pytest.mark.parametrize("count", [12, pytest.param(25, marks=pytest.mark.campaign)])
@pytest.mark.parametrize("fastest_ppm", [None, 60_000.0])
@pytest.mark.parametrize("make", [even, binary, overlapping])
def test_the_best_code_is_found_in_far_fewer_steps_than_a_sweep(
    make, fastest_ppm, count
):
    chips = [searched(make, seed, fastest_ppm) for seed in range(count)]
    assert sum(chip.found for chip in chips) >= count - 1
    assert median(chip.steps for chip in chips) <= chips[0].codes / 4
    assert not any(chip.outside for chip in chips)


HEAD = """# How the search for a trim code does

Written by `BENCHLOG_KEEP_RESULTS=1 pytest -m slow tests/trim`. 500 simulated chips, a
third of each register, without and with a limit of speed: even steps scattered by 30 %;
binary weights that are 4 % off, running backwards at carries; two overlapping ranges.
Each mean of readings is off by 3 % of a step (1 s), each chip drifts by up to half a
percent of a step from code to code. Found: the code chosen is the best of all safe ones
at the end, or no more than a tenth of a step worse. Outside: sets beyond safe codes.
Too fast: sets above the limit; these are the starting code, tries that find out which
way the register rises, the first code of a second range, and single codes where the
register jumps.

"""
COLUMNS = (
    "register",
    "limit ppm",
    "chips",
    "found",
    "median steps",
    "95 %",
    "most",
    "full sweep",
    "outside",
    "too fast",
)


def row(name, limit, chips):
    """Return one line of the table."""
    steps = sorted(chip.steps for chip in chips)
    found = sum(chip.found for chip in chips)
    cells = (
        name,
        "none" if limit is None else f"{limit:,.0f}",
        len(chips),
        f"{found} ({found / len(chips):.1%})",
        steps[len(steps) // 2],
        steps[len(steps) * 95 // 100],
        steps[-1],
        " / ".join(str(n) for n in sorted({chip.codes for chip in chips})),
        sum(chip.outside for chip in chips),
        f"{sum(chip.too_fast for chip in chips)} of {sum(steps)}",
    )
    return f"| {' | '.join(map(str, cells))} |"


@pytest.mark.slow
def test_five_hundred_chips():
    """The issue's count: 500 chips of all makes, at least 99 % found."""
    makes, lines = (even, binary, overlapping), []
    for limit in (None, 60_000.0):
        chips = [searched(makes[i % 3], 1_000 + i, limit) for i in range(500)]
        for k, make in enumerate(makes):
            lines.append(row(make.__name__, limit, chips[k::3]))
        lines.append(row("all", limit, chips))
        assert sum(chip.found for chip in chips) >= 495
        assert median(chip.steps for chip in chips) <= 32
        assert not any(chip.outside for chip in chips)
        assert max(chip.too_fast for chip in chips) <= 4
    head = f"| {' | '.join(COLUMNS)} |\n{'|---' * len(COLUMNS)}|\n"
    table = HEAD + head + "\n".join(lines) + "\n"
    print(f"\n{table}")
    if os.environ.get("BENCHLOG_KEEP_RESULTS") == "1":
        Path(__file__).with_name("RESULTS.md").write_text(table, encoding="utf-8")


def test_nothing_beyond_the_safe_codes_or_far_beyond_the_fastest_is_set():
    asked = []
    search = TrimSearch(TrimRange(((10, 90),), fastest_ppm=50_000.0), start=40)
    while (code := search.next_code()) is not None:
        asked.append(code)
        search.tell(code, (code - 45) * 4_000.0, 100.0)
    assert all(10 <= code <= 90 for code in asked)
    assert search.best.code == 45
    too_fast = [code for code in asked if (code - 45) * 4_000.0 > 50_000.0]
    assert not too_fast


def test_what_cannot_be_searched_is_said():
    with pytest.raises(DataError, match="code 5 is not within the safe codes 10 to 20"):
        TrimSearch(TrimRange(((10, 20),)), start=5)
    search = TrimSearch(TrimRange(((10, 20),)))
    with pytest.raises(DataError, match="finite"):
        search.tell(15, float("nan"), 1.0)
    with pytest.raises(DataError, match="no trim code"):
        _ = search.best
