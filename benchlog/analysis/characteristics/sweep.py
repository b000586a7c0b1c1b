"""A device on its way down and up: its points, and how the ways differ at a place."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.dips import Dip, bell_terms
from benchlog.analysis.characteristics.points import Points
from benchlog.analysis.characteristics.smooth_law import any_way_apart, law_of_both
from benchlog.errors import DataError

Array = NDArray[np.float64]
_SPARE: Final = 0.02
"""Of the span; a place so little beyond the other way's last one is there; our rule."""
_APART: Final = 0.01
"""Of the span; places nearer to each other are one; our rule."""


@dataclass(frozen=True)
class Sweep:
    """Points of a device over temperature, and on which way each was.

    Parameters
    ----------
    points : Points
        In the order in which they were measured.
    way : sequence of int, shape (n,)
        +1 on the way up, -1 on the way down, 0 for those that are on neither.
    dips : sequence of Dip
        Where it narrowly departs from its law on both ways.

    """

    points: Points
    way: Sequence[int]
    dips: Sequence[Dip] = ()

    @cached_property
    def law_of_both(self) -> Array:
        """Return the terms that both ways share, shape (n, terms): law and dips."""
        bells = [bell_terms(self.points.at, dip).T for dip in self.dips]
        return np.column_stack([law_of_both(self.points), *bells])

    @cached_property
    def any_way_apart(self) -> Array:
        """Return terms for any gradual opening between the ways, shape (n, terms)."""
        return any_way_apart(self.points)

    @cached_property
    def differences(self) -> tuple[Array, Array]:
        """Return places, shape (k,), and rising less falling there as weights, (k, n).

        Each rising point is compared with a straight line between the two falling
        points about it; places that only one way reached are left out. Raises DataError
        when the two ways have no place in common.
        """
        way, at = np.asarray(self.way), self.points.at
        up, down = place_means(at, way > 0), place_means(at, way < 0)
        if len(up) < 1 or len(down) < 2:
            raise DataError("hysteresis needs points on the way up and on the way down")
        up_at, down_at = up @ at, down @ at
        spare = _SPARE * float(np.ptp(down_at))
        within = (up_at >= down_at[0] - spare) & (up_at <= down_at[-1] + spare)
        if not within.any():
            raise DataError("the ways up and down have no temperature in common")
        up, up_at = up[within], up_at[within]
        after = np.clip(np.searchsorted(down_at, up_at), 1, len(down_at) - 1)
        before = after - 1
        share = (up_at - down_at[before]) / (down_at[after] - down_at[before])
        share = np.clip(share, 0.0, 1.0)[:, None]
        return up_at, up - (1 - share) * down[before] - share * down[after]


def place_means(at: Array, which: NDArray[np.bool_] | None = None) -> Array:
    """Return the mean at each place, by rising place, as weights; shape (k, n).

    Places nearer to each other than a hundredth of the span are one; `which` points are
    taken, all of them by default.
    """
    kept = np.arange(len(at)) if which is None else np.flatnonzero(which)
    order = kept[np.argsort(at[kept], kind="stable")]
    if not len(order):
        return np.zeros((0, len(at)))
    steps = np.diff(at[order])
    apart = steps > _APART * max(float(np.ptp(at[order])), 1e-12)
    group = np.concatenate(([0], np.cumsum(apart))).astype(np.int64)
    weights = np.zeros((int(group[-1]) + 1, len(at)))
    weights[group, order] = 1.0
    return np.asarray(weights / weights.sum(axis=1, keepdims=True), np.float64)
