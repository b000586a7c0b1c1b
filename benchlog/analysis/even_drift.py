"""An even drift beside the noise of a run.

An interval from Allan variances speaks of noise. What goes on in one direction adds to
it: the stretch that follows has drifted on.
"""

from dataclasses import replace
from typing import Final

import numpy as np

from benchlog.analysis.noise_mixture import SLOPE
from benchlog.analysis.phase_blocks import without_slope
from benchlog.analysis.stats import AvarPoint, RunStats, by_turns
from benchlog.analysis.uncertainty import MeanUncertainty, mean_uncertainty

FEWEST: Final = 30  # our rule: fewer readings do not tell a drift from slow noise
SEEN: Final = 3.0  # our rule: squared standard deviations, fewer than `CLEAR`
CLEAR: Final = 4.0  # our rule: two standard deviations, squared, 5 % by chance


def without_drift(stats: RunStats) -> RunStats:
    """Return the figures as they were without the straight line through the readings.

    A drift of s adds (s tau)^2 / 2 to the Allan variance at tau (NIST SP 1065, 5.2.7,
    from memory).
    """
    slope = stats.slope_ppm_per_s or 0.0
    blocks, turns = stats.phase_blocks, stats.turns
    if blocks is not None:
        blocks = without_slope(blocks, slope * (stats.tau0_s or 0.0))
    if turns is not None:
        of_turns = turns.phase_blocks
        if of_turns is not None:
            of_turns = without_slope(of_turns, slope * turns.spacing_s)
        bridged = _without_slope(turns.bridged, slope)
        turns = replace(turns, bridged=bridged, phase_blocks=of_turns)
    return replace(
        stats,
        bridged=_without_slope(stats.bridged, slope),
        slope_ppm_per_s=0.0,
        phase_blocks=blocks,
        turns=turns,
    )


def _without_slope(
    points: tuple[AvarPoint, ...], slope: float
) -> tuple[AvarPoint, ...]:
    return tuple(
        replace(one, avar=max(one.avar - (slope * one.tau_s) ** 2 / 2.0, 0.0))
        for one in points
    )


def drift_of(
    stats: RunStats, mean: MeanUncertainty
) -> tuple[float, MeanUncertainty] | None:
    """Return slope times T in ppm, and the noise beside it; None without a drift.

    A slope is one where it is more than the least-squares line has by chance, by the
    noise that is left without it. `mean` is the uncertainty by all that the readings
    did: a slope that its terms without the random walk explain is not looked at twice.
    """
    slope = stats.slope_ppm_per_s
    if by_turns(stats).n < FEWEST or not slope:
        return None
    over_t_ppm = slope * stats.span_s
    as_variance = over_t_ppm * over_t_ppm / 12.0
    if as_variance < SEEN * float(np.dot(SLOPE[:3], mean.terms[:3])):
        return None
    noise = mean_uncertainty(without_drift(stats))
    if noise is None or as_variance < CLEAR * float(np.dot(SLOPE, noise.terms)):
        return None
    return over_t_ppm, noise
