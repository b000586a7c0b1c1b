"""How well the mean of a run stands for the device, under the noise it really has.

u is the Allan deviation at tau = T, the length of the run: the mean of the equally long
stretch that follows lies within k sqrt(2) u of this one. s/sqrt(n) is the special case
of white frequency noise and understates all that do not average out.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.noise_mixture import Evidence, SlowMotions, spread_of
from benchlog.analysis.phase_blocks import BlockPhases, PhaseBlocks
from benchlog.analysis.phase_contrasts import contrasts_of
from benchlog.analysis.stability.dead_time import noise_across_dead_time
from benchlog.analysis.stats import RunStats, TurnStats, by_turns
from benchlog.units import format_duration

Array = NDArray[np.float64]
TERM_NAMES: Final = ("white PM", "white FM", "flicker FM", "random-walk FM")
# tests/finders/mixture_names.py. Criterion: 95 % are named rightly or as a neighbour.
FEW: Final = 30
"""Readings below which no noise is named."""


@dataclass(frozen=True, slots=True)
class MeanUncertainty:
    """Standard uncertainty of a run's mean, ppm.

    `terms` are the shares of the four noises in the variance at tau = T, ppm^2, in the
    order of `TERM_NAMES`; `text` says in words what the figure rests on.
    """

    u_ppm: float
    degrees_of_freedom: float
    text: str
    terms: tuple[float, float, float, float]


def mean_uncertainty(stats: RunStats) -> MeanUncertainty | None:
    """Return u of the mean of a run from its Allan variances and its drift.

    None below two readings, and where no two readings follow each other. A run in turns
    is judged by the means of its turns; while there are too few of them to compare, its
    readings count for no more than their number.
    """
    turns = stats.turns
    if turns is not None and turns.bridged:
        mean = mean_uncertainty(by_turns(stats))
        return None if mean is None else replace(mean, text=_turns_text(turns, mean))
    points = stats.bridged
    if stats.n < 2 or not points or not stats.tau0_s:
        return None
    if all(point.avar == 0 for point in points):
        return MeanUncertainty(0.0, math.inf, "readings all alike", (0.0,) * 4)
    length = float(stats.n)
    if turns is None:
        length = max(length, stats.span_s / stats.tau0_s)
    m = np.array([point.m for point in points], dtype=np.float64)
    pairs = np.array([[point.n for point in points]], dtype=np.float64)
    avar = np.array([[point.avar for point in points]])
    slope = (stats.slope_ppm_per_s or 0.0) * stats.tau0_s * length
    slope2 = np.array([slope * slope / 12.0])
    freedom = pairs_freedom(length, m, pairs)
    spread = spread_of(
        Evidence(
            m=m,
            avar=avar,
            freedom=freedom,
            slope2=slope2,
            length=length,
            motions=slow_motions(stats.phase_blocks),
        )
    )
    d, a, b, c = (float(term) for term in spread.terms[0])
    found = float(spread.freedom[0])
    return MeanUncertainty(
        float(spread.u[0]), found, _text(stats.n, spread.terms[0]), (d, a, b, c)
    )


def slow_motions(blocks: BlockPhases | None) -> SlowMotions | None:
    """Return the contrasts of one run's phase; None where it was lost, and of few."""
    found = None if blocks is None else contrasts_of(blocks)
    if blocks is None or found is None:
        return None
    return SlowMotions(found[None], len(blocks.means), blocks.length, blocks.gaps)


def uncertainty_of_even(ppm: Array) -> MeanUncertainty:
    """Return u of the mean of values that follow each other evenly, without gaps.

    Parameters
    ----------
    ppm : array, shape (n,)
        At least 2 values.

    """
    evidence = even_evidence([ppm])
    if evidence is None:
        return MeanUncertainty(0.0, math.inf, "readings all alike", (0.0,) * 4)
    spread = spread_of(evidence)
    d, a, b, c = (float(term) for term in spread.terms[0])
    found = float(spread.freedom[0])
    return MeanUncertainty(
        float(spread.u[0]), found, _text(len(ppm), spread.terms[0]), (d, a, b, c)
    )


def even_evidence(stretches: Sequence[Array]) -> Evidence | None:
    """Return what stretches of evenly spaced values show of their noise, together.

    The Allan variances of all count, each by its degrees of freedom; length and slope
    are those of the longest. None where nothing scatters. Each has at least 2 values.
    """
    longest = max(stretches, key=len)
    n = len(longest)
    m = np.exp2(np.arange(max(1, int(math.log2(n)))))
    total, known = np.zeros(len(m)), np.zeros(len(m))
    for ppm in stretches:
        freedom, avar = _even_freedom(len(ppm), len(m)), _even_variances(ppm, m)
        total += freedom * avar
        known += freedom
    if not total.any():
        return None
    rise = float(np.polyfit(np.arange(n), longest, 1)[0]) * n
    slope2 = np.array([rise * rise / 12.0])
    avar = total / np.maximum(known, 1e-300)
    blocks = PhaseBlocks()
    blocks.feed(np.concatenate(([0.0], np.cumsum(longest - longest[0]))))
    return Evidence(
        m=m,
        avar=avar[None],
        freedom=known[None],
        slope2=slope2,
        length=float(n),
        motions=slow_motions(blocks.found()),
    )


def _even_variances(ppm: Array, m: Array) -> Array:
    """Return overlapping Allan variances at factors m; 0 where there are no pairs."""
    n = len(ppm)
    summed = np.concatenate(([0.0], np.cumsum(ppm - ppm.mean())))
    avar = np.zeros(len(m))
    for at, k in enumerate(m.astype(np.int64).tolist()):
        if n >= 2 * k:
            steps = summed[2 * k :] - 2 * summed[k : n + 1 - k] + summed[: -2 * k]
            avar[at] = float(np.add.reduce((steps / k) ** 2)) / len(steps) / 2
    return avar


@lru_cache(maxsize=64)
def _even_freedom(n: int, octaves: int) -> Array:
    """Return their degrees of freedom: turns of a rack are of few lengths."""
    m = np.exp2(np.arange(octaves))
    pairs = np.maximum(n - 2.0 * m + 1.0, 0.0)
    freedom = np.where(pairs > 0, pairs_freedom(float(n), m, pairs), 0.0)
    freedom.setflags(write=False)
    return freedom


def _text(n: int, terms: Array) -> str:
    strongest = TERM_NAMES[int(np.argmax(terms))]
    if n < FEW:
        return f"{n} readings, too few to name their noise: allowance for slow noise"
    return f"{n:,} readings, likeliest {strongest}; allowance for slower noise unseen"


def _turns_text(turns: TurnStats, found: MeanUncertainty) -> str:
    """Say what the means of turns show of noise: white PM and FM look alike there."""
    every = format_duration(turns.spacing_s)
    said = f"{turns.turns:,} turns of {turns.gates:,} readings, one every {every}"
    if turns.turns < FEW or not any(found.terms):
        return f"{said}: too few to name their noise; allowance for slow noise"
    strongest = int(np.argmax(found.terms))
    alpha = 0 if strongest <= 1 else None
    name = noise_across_dead_time(alpha, TERM_NAMES[strongest])
    return f"{said}, likeliest {name}; allowance for slower noise unseen"


def pairs_freedom(length: float, m: Array, pairs: Array) -> Array:
    """Return degrees of freedom of overlapping Allan variances, at least one each.

    The closed formula for white FM of SP 1065 table 5, in proportion where pairs are
    missing; which noise it is will only be known afterwards.
    """
    full = 3.0 * length / (2.0 * m) - 2.0 * (length - 1.0) / (length + 1.0)
    full = np.maximum(full * 4.0 * m**2 / (4.0 * m**2 + 5.0), 1.0)
    there = np.minimum(pairs / np.maximum(length - 2.0 * m + 1.0, 1.0), 1.0)
    return np.asarray(full * there)
