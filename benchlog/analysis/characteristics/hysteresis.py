"""Hysteresis: how far rising and falling differ at most at one temperature.

The largest of several noisy differences is too high, the more the more places differ
alike. Noisy differences alone do not tell how many do. The law of a device and its
openings do where the largest difference lies on it: then the upper end is the one that
simulated errors about that law leave (parametric bootstrap; B. Efron, R. J. Tibshirani,
An Introduction to the Bootstrap, 1993, from memory). Where the largest stands out from
the law, the upper end is the one of any set of figures.
"""

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.changes import largest_of
from benchlog.analysis.characteristics.points import Found
from benchlog.analysis.characteristics.smooth_law import basis_of
from benchlog.analysis.characteristics.sweep import Sweep
from benchlog.analysis.characteristics.wander import DifferenceErrors, Wander, wanders

Array = NDArray[np.float64]
_TELLING: Final = 10
"""Points beyond the law's terms from which on it may tell; our rule, as for wander."""
_STANDS_OUT: Final = 1.0
"""A difference so many sigma further out than the law has may be a place of its own;
our rule: of single places that stand out by 2 to 6 u hardly fewer are held than where
the law is not asked (76 and 77 % at worst, test_hysteresis.py)."""
_DRAWS: Final = 2000
"""Simulated errors; our rule: 0.025 of them are counted to 0.0035."""
_MISSED: Final = 0.025  # definition: of one end of a 95 % interval


def hysteresis(sweep: Sweep, wander: Wander | None = None) -> Found:
    """Return the largest difference between rising and falling at one temperature.

    `wander` is how restless the device is between its turns, as its rack tells; without
    it, as its own points do. Raises DataError when the two ways have no place in
    common.
    """
    at, differences = sweep.differences
    restless = wanders([sweep])[0] if wander is None else wander
    errors = restless.of(sweep.points, differences)
    seen = differences @ sweep.points.offset_ppm
    value, half, top = largest_of(np.abs(seen), errors.reach, errors.alike)
    low, high = value - half, value + half
    if (by_law := _upper_by_law(sweep, differences, errors)) is not None:
        high = max(low, min(high, by_law))
    return Found(
        value=(low + high) / 2, u=(high - low) / 2, unit="ppm", at=float(at[top])
    )


def _upper_by_law(
    sweep: Sweep, differences: Array, errors: DifferenceErrors
) -> float | None:
    """Return the upper end, in ppm; None where the law does not tell it."""
    points = sweep.points
    basis = basis_of(np.column_stack([sweep.law_of_both, sweep.any_way_apart]))
    if len(points) - basis.shape[1] < _TELLING:
        return None
    seen = differences @ points.offset_ppm
    fit = differences @ basis @ basis.T
    lawful = fit @ points.offset_ppm
    top = int(np.argmax(np.abs(seen)))
    outwards = (seen[top] - lawful[top]) * np.sign(seen[top])
    if outwards >= _STANDS_OUT * errors.usual_ppm[top]:
        return None
    normal, even, alone = _chances(len(points), len(differences))
    # The law is as sure as its points: what it may be instead is drawn, too.
    true = lawful + (normal * points.u_ppm) @ fit.T
    told = np.abs(true + errors.drawn(even, alone)).max(axis=1)
    beyond = told - np.abs(true).max(axis=1)
    return float(np.abs(seen).max() - np.quantile(beyond, _MISSED))


@lru_cache(maxsize=2)
def _chances(points: int, places: int) -> tuple[Array, Array, Array]:
    """Return random numbers, the same for all devices of a rack with as many points.

    Standard normal ones, shape (draws, points); even ones from 0 to 1, shape (draws,);
    standard normal ones, shape (draws, places).
    """
    chance = np.random.default_rng(_DRAWS)
    return (
        chance.standard_normal((_DRAWS, points)),
        chance.random(_DRAWS),
        chance.standard_normal((_DRAWS, places)),
    )
