"""How often the interval of a mean holds the mean of the stretch that follows.

The claim: the mean of the equally long stretch that follows lies within
t sqrt(2) u of this run's mean in 95 %. The campaign (`pytest -m slow`, some minutes on
one core) runs every cell with 5,000 simulated runs. `coverage.md` beside this file
keeps its table and says which cells miss their aim and why; it is printed by
`python tests/analysis/test_coverage.py`, with another seed where one is given.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import stdtrit

sys.path.insert(0, str(Path(__file__).parent.parent))

from columns_maker import columns, without
from noise_makers import allan_variance, make
from seeds import seeded_generator

from benchlog.analysis.fitting.regression import Regression, block_means
from benchlog.analysis.noise_mixture import Evidence, SlowMotions, spread_of
from benchlog.analysis.octaves import Octaves
from benchlog.analysis.phase_blocks import MOST, BlockPhases
from benchlog.analysis.phase_contrasts import FEWEST_BLOCKS, contrasts_of
from benchlog.analysis.running import Running
from benchlog.analysis.series import Series
from benchlog.analysis.stability.estimation import stability
from benchlog.analysis.uncertainty import mean_uncertainty, pairs_freedom
from benchlog.verdict.run.budget import BudgetLine, budget_of
from benchlog.verdict.run.counter.resolution import mean_error

LENGTHS = (10, 30, 100, 300, 1000)
PURE = ("white PM", "white FM", "flicker FM", "random-walk FM")
PHASE = (
    "flicker PM",
    *(
        ("flicker PM", slower, ratio)
        for slower in ("white FM", "flicker FM", "random-walk FM")
        for ratio in (1.0, 5.0, 20.0)
    ),
)
MIXED = tuple(
    ("white FM", second, ratio)
    for second in ("flicker FM", "random-walk FM")
    for ratio in (0.5, 2.0)
)
SLOWER = (
    ("white PM", "white FM"),
    ("white PM", "flicker FM"),
    ("white PM", "random-walk FM"),
    ("white FM", "flicker FM"),
    ("white FM", "random-walk FM"),
    ("flicker FM", "random-walk FM"),
)
RATIOS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
HIDDEN = tuple((*pair, ratio) for pair in SLOWER for ratio in RATIOS)
MOVING = ("drift", "telegraph", *(f"swing {p}" for p in ("0.5", "1", "2", "4", "8")))
NO_NOISE = (
    *((first, move, 1.0) for first in ("white PM", "white FM") for move in MOVING),
    *(("white FM", "digits", step) for step in (0.1, 0.3, 1.0, 3.0)),
    *PHASE,
)
GAPS = (0.0, 0.05)
COLOURS, LONG = ("white FM", "flicker FM"), (100, 300, 1000)
RUNS = 5000
SEED = 1965


def frequencies(kind, rng, runs, n):
    """Return `runs` stretches of 2 n values; a mixture is (first, second, ratio)."""
    if isinstance(kind, str):
        return make(kind, rng, runs, 2 * n)
    first, second, ratio = kind
    base = make(first, rng, runs, 2 * n)
    if second == "digits":
        return np.round(base / ratio) * ratio
    slow = MOVES.get(second, make)(second, rng, runs, 2 * n)
    return base + np.sqrt(ratio) * _spread(base, n) / _spread(slow, n) * slow


def _spread(y, n):
    """Rms difference of the means of both halves; of whole swings their rms."""
    apart = np.sqrt(np.mean((y[:, n:].mean(axis=1) - y[:, :n].mean(axis=1)) ** 2))
    return apart if apart > 1e-9 * y.std() else y.std()


def _drift(_kind, _rng, runs, n):
    return np.tile(np.arange(n) / n, (runs, 1))


def _swing(kind, rng, runs, n):
    """A room that swings, from any moment on; the kind ends in its period in T."""
    period = float(kind.split()[1]) * n / 2
    at = rng.random((runs, 1)) * 2 * np.pi
    return np.sin(2 * np.pi * np.arange(n) / period + at)


def _telegraph(_kind, rng, runs, n):
    """Jumps between two levels, three in a run on average."""
    jumps = rng.random((runs, n)) < 6.0 / n
    return 1.0 - 2.0 * (np.cumsum(jumps, axis=1) % 2)


MOVES = {"drift": _drift, "telegraph": _telegraph} | {
    f"swing {period}": _swing for period in ("0.5", "1", "2", "4", "8")
}


def evidence(y, there):
    """What `Running` would have found of each row; `there` marks what is not lost."""
    runs, n = y.shape
    zero = np.zeros((runs, 1))
    total = np.concatenate([zero, np.cumsum(y * there, axis=1)], axis=1)
    count = np.concatenate([zero, np.cumsum(there, axis=1)], axis=1)
    factors, avars, pairs = [], [], []
    m = 1
    while 2 * m <= n:
        found = count[:, m:] - count[:, :-m]
        means = (total[:, m:] - total[:, :-m]) / np.maximum(found, 1)
        usable = 2 * found >= m
        both = usable[:, m:] & usable[:, :-m]
        apart = (means[:, m:] - means[:, :-m]) * both
        pairs.append(both.sum(axis=1))
        avars.append((apart**2).sum(axis=1) / 2 / np.maximum(pairs[-1], 1))
        factors.append(m)
        m *= 2
    t = np.arange(n) * there
    centred = (np.arange(n) - (t.sum(1) / there.sum(1))[:, None]) * there
    slope = (centred * y).sum(axis=1) / (centred**2).sum(axis=1)
    m = np.array(factors, dtype=float)
    pairs = np.array(pairs, dtype=float).T
    freedom = pairs_freedom(float(n), m, pairs)
    return Evidence(
        m=m,
        avar=np.array(avars).T,
        freedom=freedom,
        slope2=(slope * n) ** 2 / 12,
        length=float(n),
    )


def with_all_motions(found, y, there):
    """Add the slowest motions, across gaps where there are some."""
    if np.all(there):
        return with_motions(found, y)
    return with_bridged_motions(found, y, there)


def with_bridged_motions(found, y, there):
    """Add the slowest motions of rows with gaps, one by one as `Octaves` has them."""
    rows, gaps = [], []
    for values, kept in zip(y, there > 0, strict=True):
        octaves = Octaves()
        at = np.flatnonzero(kept)
        octaves.feed(values[at], np.diff(at, prepend=-1) - 1)
        blocks = octaves.blocks.found()
        rows.append(contrasts_of(blocks))
        gaps.append(blocks.gaps)
    shape = len(blocks.means), blocks.length, int(np.rint(np.mean(gaps)))
    return replace(found, motions=SlowMotions(np.array(rows), *shape))


def with_motions(found, y):
    """Add the slowest motions of each row, by blocks as `PhaseBlocks` joins them."""
    runs, n = y.shape
    phases = np.concatenate([np.zeros((runs, 1)), np.cumsum(y, axis=1)], axis=1)
    length = 1
    while (n + 1) // length >= MOST:
        length *= 2
    blocks = (n + 1) // length
    means = phases[:, : blocks * length].reshape(runs, blocks, length).mean(axis=2)
    if blocks < FEWEST_BLOCKS:
        return found
    values = np.array(
        [contrasts_of(BlockPhases(tuple(row), length)) for row in means.tolist()]
    )
    return replace(found, motions=SlowMotions(values, blocks, length))


def lose(rng, runs, n, gaps):
    there = np.ones((runs, n))
    if gaps:
        there[:, 1:-1] = rng.random((runs, n - 2)) >= gaps
    return there


def coverage(kind, n, gaps, runs=RUNS, seed=SEED):
    """Return the share of intervals that hold, and their median width to the true."""
    rng = seeded_generator(seed + n)
    held, widths, squares = [], [], []
    for at in range(0, runs, 500):
        some = min(500, runs - at)
        y = frequencies(kind, rng, some, n)
        there = lose(rng, some, n, gaps)
        seen = evidence(y[:, :n], there)
        first = y[:, :n]
        found = spread_of(with_all_motions(seen, first, there))
        mean = (y[:, :n] * there).sum(axis=1) / there.sum(axis=1)
        apart = y[:, n:].mean(axis=1) - mean
        half = stdtrit(found.freedom, 0.975) * np.sqrt(2) * found.u
        if kind[1] == "digits":
            half = np.sqrt(2) * with_digit(found, first, kind[2])
        held.append(np.abs(apart) <= half)
        widths.append(half)
        squares.append(apart**2)
    true_half = 1.96 * np.sqrt(np.mean(np.concatenate(squares)))
    width = float(np.median(np.concatenate(widths)) / true_half)
    return float(np.concatenate(held).mean()), width


def with_digit(found, y, digit):
    """Return U of each row by its scatter and by its last digit, as in a budget.

    Coarse digits are often all alike: then nothing scatters, and that line is all of U.
    """
    halves = []
    for row, u, freedom in zip(y, found.u, found.freedom, strict=True):
        values, often = np.unique(row, return_counts=True)
        counts = dict(zip(values.tolist(), often.tolist(), strict=True))
        coarse = BudgetLine(
            name="resolution",
            u_ppm=digit * mean_error(counts, digit),
            distribution="rectangular",
        )
        noise = BudgetLine(name="statistics", u_ppm=u, degrees_of_freedom=freedom)
        halves.append(budget_of([coarse, noise]).expanded_ppm)
    return np.array(halves)


def aim(kind, n):
    """Lowest and highest share that the aim allows."""
    low = 0.88 if n == 10 else 0.92
    if n >= 30 and kind[:2] == ("white FM", "random-walk FM") and kind[2] >= 10.0:
        low = HIDDEN_WALK
    return low, 0.98 if kind in PURE and n >= 300 else 1.0


HIDDEN_WALK = 0.88
"""What is reached where a random walk hides under white FM; coverage.md."""


def is_too_wide(kind, n, gaps):
    """Whether a cell is known to be held beyond its aim; see coverage.md."""
    return n >= 300 and (
        kind in ("white FM", "flicker FM") or (kind == "white PM" and gaps)
    )


@pytest.mark.slow
@pytest.mark.parametrize("gaps", GAPS)
@pytest.mark.parametrize("n", LENGTHS)
@pytest.mark.parametrize("kind", PURE + HIDDEN, ids=str)
def test_coverage(kind, n, gaps):
    """A cell that is held beyond its aim is no wider than its row in coverage.md."""
    share, width = coverage(kind, n, gaps)
    low, high = aim(kind, n)
    assert low <= share
    assert width < 3.0 if is_too_wide(kind, n, gaps) else share <= high


@pytest.mark.parametrize("kind", PURE)
def test_coverage_of_a_few(kind):
    """The same in small, for every day: 300 runs of 100."""
    share, width = coverage(kind, 100, 0.0, runs=300)
    assert share >= 0.91
    assert width < 2.9


def test_slow_noise_under_a_counters_white_phase_noise_is_seen():
    """5 times flicker FM at T, 300 runs of 100: three of four held before it was."""
    share, width = coverage(("white PM", "flicker FM", 5.0), 100, 0.0, runs=300)
    assert share >= 0.92
    assert width < 2.4


def test_a_random_walk_that_comes_up_in_a_long_run_is_held():
    """Five times random-walk FM at T: 90 % held while its weight was that of 30."""
    share, width = coverage(("white FM", "random-walk FM", 5.0), 300, 0.0, runs=500)
    assert share >= 0.93
    assert width < 1.6


@pytest.mark.parametrize("n", [100, 300])
def test_white_noise_is_charged_two_and_a_half_times_at_most(n):
    _, width = coverage("white FM", n, 0.0, runs=300)
    assert width <= 2.5


@pytest.mark.parametrize("gaps", [0.05, 0.3])
def test_slow_noise_under_white_phase_noise_is_seen_across_gaps(gaps):
    """Of 100 readings some are lost; slow noise is told from what gaps leave."""
    share, width = coverage(("white PM", "random-walk FM", 10.0), 100, gaps, runs=200)
    assert share >= 0.92
    assert width < 2.9


def test_flicker_with_a_random_walk_in_it_is_held():
    """Octaves at their full freedom held 82 %: they drowned the slowest motions."""
    share, _ = coverage(("flicker FM", "random-walk FM", 2.0), 300, 0.0, runs=500)
    assert share >= 0.91


@pytest.mark.campaign  # `test_flicker_with_a_random_walk_in_it_is_held` in a long run
def test_more_octaves_do_not_drown_the_motions_of_a_long_run():
    """Six octaves of 20 degrees each held 91 %: they all count for 50 together."""
    share, width = coverage(("flicker FM", "random-walk FM", 20.0), 1000, 0.0, runs=500)
    assert share >= 0.92
    assert width < 1.2


def test_a_random_walk_under_a_short_runs_phase_noise_is_held():
    """88 to 89 % were while 12 and 48 times counted like any other multiple."""
    kind = "white PM", "random-walk FM", 20.0
    share, width = coverage(kind, 30, 0.0, runs=1000)
    assert share >= 0.915
    assert width < 1.1


def test_a_digit_coarser_than_the_noise_is_held_by_its_own_line():
    """By the scatter alone 84 % were: many a run of ten is all alike."""
    share, _ = coverage(("white FM", "digits", 3.0), 10, 0.0, runs=300)
    assert share >= 0.97


def test_without_motions_the_octaves_are_weighed_by_themselves():
    y = make("white FM", seeded_generator(4), 50, 100)
    seen = evidence(y, np.ones_like(y))
    assert np.all(spread_of(seen).u != spread_of(with_motions(seen, y)).u)


@pytest.mark.parametrize("gaps", GAPS)
@pytest.mark.parametrize("kind", PURE)
def test_the_campaign_measures_what_runs_get(kind, gaps):
    """One row through `Running` and `mean_uncertainty`: the same u and freedom."""
    rng = seeded_generator(7)
    y = frequencies(kind, rng, 1, 200)[:, :200]
    there = lose(rng, 1, 200, gaps)
    batch = spread_of(with_all_motions(evidence(y, there), y, there))
    whole = columns(1e6 * (1 + 1e-9 * y[0]))
    running = Running(1e6)
    running.feed(without(whole, np.flatnonzero(there[0] == 0)))
    one = mean_uncertainty(running.stats())
    assert one.u_ppm == pytest.approx(float(batch.u[0]) * 1e-3, rel=1e-5)
    assert one.degrees_of_freedom == pytest.approx(float(batch.freedom[0]), rel=1e-5)


@pytest.mark.slow
@pytest.mark.parametrize("n", LONG)
@pytest.mark.parametrize("kind", COLOURS)
@pytest.mark.parametrize("what", ["drift", "temperature"])
def test_coverage_of_slopes(what, kind, n):
    assert 0.92 <= slope_coverage(what, kind, n) <= 0.98


@pytest.mark.slow
@pytest.mark.parametrize("n", LONG)
@pytest.mark.parametrize("kind", COLOURS)
def test_coverage_of_allan_deviations(kind, n):
    for share in allan_coverage(kind, n).values():
        assert 0.92 <= share <= 0.98


def slope_coverage(what, kind, n, runs=RUNS, seed=SEED):
    """Return the share of 95 % intervals of a slope that hold the truth (0).

    Long runs are averaged in blocks first, as the commands do.
    """
    t = np.arange(n, dtype=float)
    room = 3 * np.sin(2 * np.pi * t / n * 1.3) + 0.5 * np.cos(2 * np.pi * t / n * 4)
    at, x = block_means([t, t / n if what == "drift" else room])
    design = np.column_stack([np.ones(len(x)), x])
    row, regression, held = np.array([0.0, 1.0]), Regression(at), 0
    for y in make(kind, seeded_generator(seed), runs, n):
        found = regression.fit(design, block_means([y])[0])
        held += abs(found.coefficients[1]) <= found.half_width(row)
    return held / runs


def allan_coverage(kind, n, runs=RUNS, seed=SEED):
    """Return, per averaging factor up to n/8, how often the interval holds the truth.

    The noise that its degrees of freedom rest on is identified from each run, too.
    """
    held: dict[int, int] = {}
    for y in make(kind, seeded_generator(seed + n), runs, n):
        for row in stability(Series(y, 1.0)).rows:
            if 8 * row.m <= n:
                truth = allan_variance(kind, row.m, n) ** 0.5
                held[row.m] = held.get(row.m, 0) + (row.low <= truth <= row.high)
    return {m: hits / runs for m, hits in held.items()}


def rows(kinds, gaps, seed, runs):
    """Print a row for each kind: the share in %, and the width to the true one."""
    print("| noise | " + " | ".join(f"n = {n}" for n in LENGTHS) + " |")
    print("|---|" + "---|" * len(LENGTHS))
    for kind in kinds:
        cells = [coverage(kind, n, gaps, runs, seed) for n in LENGTHS]
        said = " | ".join(f"{100 * share:.1f} ({width:.2f})" for share, width in cells)
        print(f"| {name(kind)} | {said} |", flush=True)


def table(seed, runs=RUNS):
    """Print the campaign's tables."""
    print("No gaps:\n")
    rows(PURE + HIDDEN, 0.0, seed, runs)
    print("\nNot noise, or not only:\n")
    rows(NO_NOISE, 0.0, seed, runs)
    for gaps in (0.05, 0.3):
        print(f"\n{gaps:.0%} of the readings lost:\n")
        rows(PURE + HIDDEN, gaps, seed, runs)
    print("\n| slope of | noise | n | share |\n|---|---|---|---|")
    for what in ("drift", "temperature"):
        for kind in COLOURS:
            for n in LONG:
                share = slope_coverage(what, kind, n, seed=seed)
                print(f"| {what} | {kind} | {n} | {100 * share:.1f} |", flush=True)
    print("\n| Allan deviation of | n | share at m = 1, 2, 4, ... |\n|---|---|---|")
    for kind in COLOURS:
        for n in LONG:
            shares = allan_coverage(kind, n, seed=seed).values()
            said = ", ".join(f"{100 * share:.1f}" for share in shares)
            print(f"| {kind} | {n} | {said} |", flush=True)


def name(kind):
    return kind if isinstance(kind, str) else f"{kind[0]} + {kind[2]:g} {kind[1]}"


def test_runs_whose_octaves_know_nothing_are_told_without_a_warning():
    """Ten readings, three lost: no two follow each other, but the phase is known."""
    rng = seeded_generator(3)
    y = frequencies("white PM", rng, 500, 10)[:, :10]
    there = lose(rng, 500, 10, 0.3)
    seen = with_all_motions(evidence(y, there), y, there)
    with np.errstate(divide="raise", invalid="raise"):
        found = spread_of(seen)
    assert np.all(np.isfinite(found.u)) and np.all(found.u > 0)


if __name__ == "__main__":
    given = [int(one) for one in sys.argv[1:]]
    table(*(given or [SEED]))
