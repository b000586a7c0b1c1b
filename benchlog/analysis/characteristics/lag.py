"""What thermal lag had still left of a device's way when it was measured.

While devices settle they are read as well. What is left of the way of each step dies
away with one time constant, the device's own: `y = c + a exp(-t / tau)` with c and a of
each step and one tau of all steps, by least squares over a grid of tau. `a` at the
middle of the turn is what the point was still away from where it would have come.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_TAUS_S: Final = np.geomspace(10.0, 1800.0, 40)
"""Time constants tried: from a chip on a board to an oven; our rule."""
_FINER: Final = np.geomspace(0.87, 1.15, 21)
"""Then these times the best of them: a time constant that is off by a seventh puts what
is left off by half; our rule: neighbours of the first grid, a tenth of its step."""
_FAR: Final = 30.0
"""Time constants before the turn from which on a reading tells nothing; e^30 of what
is left is more than any device has; our rule."""
_SEEN: Final = 1.0
"""Power of a step's decay that is needed, in the square of what is left at the turn:
what is left is then known as well as one gate; our rule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Approach:
    """Readings of one step: when, before the middle of its turn, and what they were.

    `before_s`, shape (n,), is positive before the middle and falls; `ppm`, shape (n,).
    """

    before_s: Array
    ppm: Array


def still_away(approaches: list[Approach]) -> tuple[Array, Array]:
    """Return how far each point was still away, in ppm, and the standard uncertainty.

    Both are 0 for a step with fewer than three readings, or too few before its turn to
    tell.
    """
    fit = _Decays(approaches)
    rough = min(_TAUS_S, key=fit.rest)
    return fit.away(min(rough * _FINER, key=fit.rest))


class _Decays:
    """All approaches of a device, fitted with one time constant."""

    def __init__(self, approaches: list[Approach]) -> None:
        many = [len(one.ppm) for one in approaches]
        self._step = np.repeat(np.arange(len(many)), many).astype(np.int64)
        self._before_s = np.concatenate(
            [np.empty(0), *(one.before_s for one in approaches)]
        )
        ppm = np.concatenate([np.empty(0), *(one.ppm for one in approaches)])
        self._count = np.array(many, np.float64)
        self._ppm = self._from_mean(ppm)

    def rest(self, tau_s: float) -> float:
        """Return the sum of squares that a time constant leaves."""
        shape, away, _, _ = self._fit(tau_s)
        return float(np.sum((self._ppm - away[self._step] * shape) ** 2))

    def away(self, tau_s: float) -> tuple[Array, Array]:
        """Return what is left at each turn, and its standard uncertainty."""
        _, away, power, usable = self._fit(tau_s)
        steps = float(np.count_nonzero(self._count) + usable.sum())
        freedom = max(1.0, float(self._count.sum()) - steps)
        u = np.sqrt(self.rest(tau_s) / freedom / np.where(usable, power, 1.0))
        return away, np.where(usable, u, 0.0)

    def _fit(self, tau_s: float) -> tuple[Array, Array, Array, NDArray[np.bool_]]:
        """Return the decay about each step's mean, its size, power, and which count."""
        shape = self._from_mean(np.exp(np.minimum(self._before_s / tau_s, _FAR)))
        power = self._sum(shape**2)
        usable = (self._count >= 3) & (power > _SEEN)
        size = self._sum(shape * self._ppm) / np.where(usable, power, 1.0)
        return shape, np.where(usable, size, 0.0), power, usable

    def _sum(self, values: Array) -> Array:
        """Return the sum over each step."""
        found = np.bincount(self._step, values, len(self._count))
        return np.asarray(found, np.float64)

    def _from_mean(self, values: Array) -> Array:
        means = self._sum(values) / np.maximum(self._count, 1.0)
        return np.asarray(values - means[self._step], np.float64)
