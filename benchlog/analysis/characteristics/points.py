"""Points of a device: the mean of each turn, and how well it stands for the device."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

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

    Raises DataError when the arrays differ in length or hold what is not finite.

    """

    t_s: Array
    at: Array
    offset_ppm: Array
    u_ppm: Array
    degrees_of_freedom: float = math.inf

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
        return Points(
            t_s=self.t_s[which],
            at=self.at[which],
            offset_ppm=self.offset_ppm[which],
            u_ppm=self.u_ppm[which],
            degrees_of_freedom=self.degrees_of_freedom,
        )

    def with_others(self, others: "Points") -> "Points":
        """Return these and others of the device; the fewer degrees of freedom count."""
        return Points(
            t_s=np.concatenate([self.t_s, others.t_s]),
            at=np.concatenate([self.at, others.at]),
            offset_ppm=np.concatenate([self.offset_ppm, others.offset_ppm]),
            u_ppm=np.concatenate([self.u_ppm, others.u_ppm]),
            degrees_of_freedom=min(self.degrees_of_freedom, others.degrees_of_freedom),
        )

    def coverage_factor(self, misses: float = 1) -> float:
        """Return k of a 95 % interval, or of `misses` intervals that all hold so."""
        return self.quantile(1 - 0.025 / max(1, misses))

    def quantile(self, probability: float) -> float:
        """Return the Student quantile of these points' degrees of freedom."""
        freedom = min(self.degrees_of_freedom, _NORMAL)
        return float(stdtrit(freedom, probability))


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


def means_of_turns(turns: Sequence[Array]) -> tuple[Array, Array, float]:
    """Return mean, standard uncertainty and degrees of freedom of each turn.

    The noise within all turns of a device is one noise. Their Allan variances together
    give white FM and flicker FM, `a / m + b` by least squares with neither below zero;
    a mean over m gates then stands for the device with u^2 = a / m + b, and the
    difference of two means has the sum of both. What moves a device from turn to turn
    beyond that is the device's, and what repeated points show.

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
        return means, np.zeros(len(turns)), math.inf
    known = evidence.freedom[0] > 0
    white, flicker, freedom = _white_and_flicker(
        evidence.m[known], evidence.avar[0][known], evidence.freedom[0][known]
    )
    return means, np.sqrt(white / gates + flicker), freedom


def _white_and_flicker(
    m: Array, avar: Array, freedom: Array
) -> tuple[float, float, float]:
    """Return `a` and `b` of `a / m + b`, and the degrees of freedom of that at max m.

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
    return float(terms[0]), float(terms[1]), max(1.0, 2 * level**2 / spread)


def _not_negative(design: Array, y: Array) -> Array:
    """Return two coefficients by least squares, neither below zero."""
    both: Array = np.asarray(np.linalg.lstsq(design, y, rcond=None)[0], np.float64)
    if (both >= 0).all():
        return both
    alone = np.maximum((design * y[:, None]).sum(0) / (design**2).sum(0), 0.0)
    misfit = [float(np.sum((y - design[:, k] * alone[k]) ** 2)) for k in (0, 1)]
    best = int(np.argmin(misfit))
    return np.array([alone[0], 0.0]) if best == 0 else np.array([0.0, alone[1]])
