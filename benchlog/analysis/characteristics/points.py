"""Points of a device: the mean of each turn, and how well it stands for the device."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.flicker import flicker_growth
from benchlog.analysis.distributions import student_quantile
from benchlog.analysis.uncertainty import even_evidence
from benchlog.errors import DataError

Array = NDArray[np.float64]
_NORMAL: Final = 1e6  # our rule: from there a Student is normal to all digits
_ROUNDS: Final = 5
"""Our rule: more change the fourth digit of u."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """Points of one device in the order in which they were measured.

    Parameters
    ----------
    t_s : array, shape (n,)
        Middle of each turn, in bench seconds from any moment.
    at : array, shape (n,)
        Temperature, voltage or load at each, in the drive's unit.
    offset_ppm : array, shape (n,)
    u_ppm : array, shape (n,)
        Standard uncertainty of each, without what all points share.
    degrees_of_freedom : float
        Of `u_ppm`.
    flicker_ppm : float
        Allan deviation of the flicker FM that `u_ppm` has in it. Of two points it makes
        the more the longer they are apart: it is what u of a difference needs.
    turn_s : float
        How long a turn takes.

    Raises DataError when the arrays differ in length or hold what is not finite.

    """

    t_s: Array
    at: Array
    offset_ppm: Array
    u_ppm: Array
    degrees_of_freedom: float = math.inf
    flicker_ppm: float = 0.0
    turn_s: float = 1.0

    def __post_init__(self) -> None:
        arrays = (self.t_s, self.at, self.offset_ppm, self.u_ppm)
        if len({array.shape for array in arrays}) != 1 or self.t_s.ndim != 1:
            raise DataError("points need as many times, places, offsets and u")
        if not all(np.all(np.isfinite(array)) for array in arrays):
            raise DataError("points need finite times, places, offsets and u")

    def __len__(self) -> int:
        return len(self.t_s)

    def only(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> "Points":
        """Return some of them."""
        return replace(
            self,
            t_s=self.t_s[which],
            at=self.at[which],
            offset_ppm=self.offset_ppm[which],
            u_ppm=self.u_ppm[which],
        )

    def with_others(self, others: "Points") -> "Points":
        """Return these and others of the device; the fewer degrees of freedom count."""
        return replace(
            self,
            t_s=np.concatenate([self.t_s, others.t_s]),
            at=np.concatenate([self.at, others.at]),
            offset_ppm=np.concatenate([self.offset_ppm, others.offset_ppm]),
            u_ppm=np.concatenate([self.u_ppm, others.u_ppm]),
            degrees_of_freedom=min(self.degrees_of_freedom, others.degrees_of_freedom),
        )

    def covariance(self) -> Array:
        """Return the covariance of the points' noise, shape (n, n), in ppm^2.

        It is good for differences alone, whose weights have no sum: what all points
        share is left out, and flicker FM has no variance without that.
        """
        alone = np.diag(np.maximum(self.u_ppm**2 - self.flicker_ppm**2, 0.0))
        if not self.flicker_ppm:
            return np.asarray(alone)
        apart = (self.t_s[:, None] - self.t_s[None, :]) / self.turn_s
        return np.asarray(alone - self.flicker_ppm**2 * flicker_growth(apart))

    def u_of(self, differences: Array) -> Array:
        """Return the standard uncertainty of differences, shape (k, n) as weights."""
        return u_of(differences, self.covariance())

    def coverage_factor(self, misses: float = 1) -> float:
        """Return k of a 95 % interval, or of `misses` intervals that all hold so."""
        return self.quantile(1 - 0.025 / max(1, misses))

    def reach(self, probability: float) -> Array:
        """Return the quantile of each point's error, in ppm."""
        return np.asarray(self.quantile(probability) * self.u_ppm)

    def quantile(self, probability: float) -> float:
        """Return the Student quantile of these points' degrees of freedom."""
        freedom = min(self.degrees_of_freedom, _NORMAL)
        return student_quantile(freedom, probability)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A figure with the interval that holds it in 95 %: `value - u` to `value + u`.

    `at` is the place, or the time in seconds, where it was found; `text` how.
    """

    value: float
    u: float
    unit: str
    at: float | None = None
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PointMeans:
    """Means of turns: value and standard uncertainty of each, shape (n,), in ppm.

    `flicker_ppm` is the Allan deviation of the flicker FM that is surely in `u_ppm`.
    """

    ppm: Array
    u_ppm: Array
    flicker_ppm: float
    degrees_of_freedom: float


def means_of_turns(turns: Sequence[Array]) -> PointMeans:
    """Return mean and standard uncertainty of each turn.

    The noise within all turns of a device is one noise. Their Allan variances together
    give white FM and flicker FM, `a / m + b` by least squares with neither below zero;
    a mean over m gates then stands for the device with u^2 = a / m + b.

    Parameters
    ----------
    turns : sequence of arrays, shape (gates,)
        Offsets in ppm. Those of one reading count with the noise of the others.

    Raises DataError when no turn has two readings.

    """
    usable = [turn for turn in turns if len(turn) >= 2]
    if not usable:
        raise DataError("a point needs at least two gates in one of its turns")
    means = np.array([float(turn.mean()) for turn in turns])
    gates = np.array([float(len(turn)) for turn in turns])
    evidence = even_evidence(usable)
    if evidence is None:
        white, flicker, sure, freedom = 0.0, 0.0, 0.0, math.inf
    else:
        known = evidence.freedom[0] > 0
        white, flicker, sure, freedom = _white_and_flicker(
            evidence.m[known], evidence.avar[0][known], evidence.freedom[0][known]
        )
    return PointMeans(
        ppm=means,
        u_ppm=np.sqrt(white / gates + flicker),
        flicker_ppm=math.sqrt(sure),
        degrees_of_freedom=freedom,
    )


def u_of(differences: Array, covariance: Array) -> Array:
    """Return the standard uncertainty of weighted sums, shape (k, n), of points."""
    variance = np.sum((differences @ covariance) * differences, axis=1)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)), np.float64)


def _white_and_flicker(
    m: Array, avar: Array, freedom: Array
) -> tuple[float, float, float, float]:
    """Return `a` and `b` of `a / m + b`, what of b is sure, and degrees of freedom.

    Sure is what b is more than its standard uncertainty: noise of a few gates looks
    like flicker FM, and what a long time makes of that would be far too much. The
    degrees of freedom are those of the sum at the largest m.

    Weighted least squares; a variance is known to its square times 2 / freedom. The
    weights are those of the fitted values, found in a few rounds.
    """
    design = np.column_stack([1.0 / m, np.ones_like(m)])
    fitted = avar.max() / m
    for _ in range(_ROUNDS):
        root = np.sqrt(freedom / 2) / fitted
        terms = _not_negative(design * root[:, None], avar * root)
        fitted = np.maximum(design @ terms, 1e-12 * avar.max())
    root = np.sqrt(freedom / 2) / fitted
    free = terms > 0
    inverse = np.linalg.pinv((design * root[:, None])[:, free])
    at_end = np.array([1.0 / (2 * m[-1]), 1.0])[free]
    level = float(at_end @ terms[free])
    spread = float(np.sum((at_end @ inverse) ** 2))
    white, flicker = (float(one) for one in terms)
    doubt = math.sqrt(float(np.sum(inverse[-1] ** 2))) if free[1] else 0.0
    sure = max(0.0, flicker - doubt)
    return white, flicker, sure, max(1.0, 2 * level**2 / spread)


def _not_negative(design: Array, y: Array) -> Array:
    """Return two coefficients by least squares, neither below zero."""
    both: Array = np.asarray(np.linalg.lstsq(design, y, rcond=None)[0], np.float64)
    if (both >= 0).all():
        return both
    alone = np.maximum((design * y[:, None]).sum(0) / (design**2).sum(0), 0.0)
    misfit = [float(np.sum((y - design[:, k] * alone[k]) ** 2)) for k in (0, 1)]
    best = int(np.argmin(misfit))
    return np.array([alone[0], 0.0]) if best == 0 else np.array([0.0, alone[1]])
