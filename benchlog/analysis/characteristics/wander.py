"""How restless devices are from turn to turn, and what that makes of a difference.

Noise within turns does not tell all that moves a device between them. It may scatter
by several times the variance of that noise, and its frequency may walk (random-walk FM:
a variance that grows with the time between two turns). The two ways of a sweep are days
apart at one end, and a walk looks like hysteresis there.

What points of a sweep are away from the smooth law tells how likely each scatter and
each walk is. The polynomial of the law may be anything (restricted likelihood, H. D.
Patterson and R. Thompson, Biometrika 58 (1971) 545); terms that differ between the ways
are normally distributed, of a size in proportion to what the ways differ by. What
remains is mainly whether a device came back to where it had been, at a place that it
reached twice from one side. Activity dips are no wander: those that were found are
terms of the law.

One sweep comes back two or three times, which tells little. Devices of a rack are of a
kind: how often each scatter and walk occurs among them is found from all of them (N.
Laird, J. Am. Stat. Assoc. 73 (1978) 805), and each device's own points choose among
what the others show. Sources from memory.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.characteristics.points import Points, u_of
from benchlog.analysis.characteristics.smooth_law import (
    basis_of,
    ways_apart,
)
from benchlog.analysis.characteristics.sweep import Sweep
from benchlog.analysis.distributions import normal_quantile
from benchlog.errors import DataError

Array = NDArray[np.float64]
_TIMES: Final = np.concatenate([[1.0], 1 + np.geomspace(0.15, 3000.0, 16)])
"""Times the variance of the noise within turns; our rule: to 50 times its sigma."""
_WALKS: Final = np.concatenate([[0.0], np.geomspace(0.03, 30.0, 14)])
"""Sigma of a walk from one turn to the next, in what points scatter about the law: from
what nobody sees in a sweep to what hides all else; our rule."""
_AMPLE: Final = (0.3, 3.0)
"""Sigma of a term between the ways, in what the ways differ by: what differs may be one
large term or all of them a little; our rule. One size alone takes a third of a walk for
hysteresis, or all of hysteresis for a walk."""
_TELLING: Final = 10
"""Our rule: with so many points more than the law has terms scatter is known to a
quarter (their chi square's 1 / sqrt(2 n))."""
_STRANGER: Final = 1.0
"""Our rule: one device that nobody knows, with all scatters and walks alike, beside the
others (Laplace's one more), for what a small rack does not show."""
_ROUNDS: Final = 20
"""Our rule: more change U by less than 2 %."""
_NEGLIGIBLE: Final = 1e-6  # of the likelihood; our rule
_STEPS: Final = 100  # our rule, never reached in the test
_EXACT: Final = 1e-12  # our rule: of a quantile
_NARROWEST: Final = 1e-9  # our rule: of the widest; for what has no noise at all
_SIGMAS: Final = 30.0  # derived: beyond, a density is less than 1e-195


@dataclass(frozen=True)
class Wander:
    """How likely each scatter and each walk of a device is.

    Parameters
    ----------
    times : array, shape (e,)
        Times the variance that the noise within turns makes.
    walk_ppm2_per_s : array, shape (h,)
        What a walk adds to the variance of a difference, by time.
    weights : array, shape (e, h)
        Their probability; the sum is 1.

    """

    times: Array
    walk_ppm2_per_s: Array
    weights: Array

    def of(self, points: Points, differences: Array) -> "DifferenceErrors":
        """Return what differences, shape (k, n) as weights, are uncertain by."""
        noise, walk = points.covariance(), _walk(points)
        quiet = u_of(differences, noise)[:, None, None] ** 2 * self.times[:, None]
        walked = u_of(differences, walk)[:, None, None] ** 2 * self.walk_ppm2_per_s
        likely = self.weights > _NEGLIGIBLE
        usual = float(self.weights.sum(1) @ self.times) * noise
        usual += float(self.weights.sum(0) @ self.walk_ppm2_per_s) * walk
        together = differences @ usual @ differences.T
        alone = np.maximum(np.sqrt(np.diag(together)), np.finfo(np.float64).tiny)
        return DifferenceErrors(
            sigma_ppm=np.sqrt(quiet + walked)[:, likely],
            weights=self.weights[likely] / self.weights[likely].sum(),
            alike=together / np.outer(alone, alone),
        )


STEADY: Final = Wander(
    times=np.ones(1), walk_ppm2_per_s=np.zeros(1), weights=np.ones((1, 1))
)
"""Definition: the noise within turns tells all of a device."""


@dataclass(frozen=True)
class DifferenceErrors:
    """Uncertainty of several differences: normal, of a sigma that is not known surely.

    Parameters
    ----------
    sigma_ppm : array, shape (k, j)
        Of each difference, as it may be.
    weights : array, shape (j,)
        How likely each is.
    alike : array, shape (k, k)
        Correlation of the differences.

    """

    sigma_ppm: Array
    weights: Array
    alike: Array

    @property
    def usual_ppm(self) -> Array:
        """Return the standard deviation of each difference's error, shape (k,)."""
        variance = self.sigma_ppm**2 @ self.weights
        return np.maximum(np.sqrt(variance), np.finfo(np.float64).tiny)

    def drawn(self, even: Array, alone: Array) -> Array:
        """Return errors as they may be, shape (many, k).

        Parameters
        ----------
        even : array, shape (many,)
            Random numbers from 0 to 1, which choose among what sigma may be.
        alone : array, shape (many, k)
            Independent ones of a standard normal distribution.

        """
        size, along = np.linalg.eigh(self.alike)
        root = along * np.sqrt(np.maximum(size, 0.0))
        below = np.cumsum(self.weights)
        which = np.searchsorted(below / below[-1], even, side="right")
        together = alone @ root.T
        return np.asarray(together * self.sigma_ppm[:, which].T, np.float64)

    def reach(self, probability: float) -> Array:
        """Return the quantile (above a half) of each difference's error, in ppm.

        By Newton's method from below: the probability rises ever more slowly above its
        middle, so no step goes too far.
        """
        from scipy.special import ndtr  # noqa: PLC0415 - SciPy for racks alone

        widest = np.maximum(self.sigma_ppm.max(axis=1), np.finfo(np.float64).tiny)
        sigma = np.maximum(self.sigma_ppm, _NARROWEST * widest[:, None])
        found = normal_quantile(probability) * sigma.min(axis=1)
        for _ in range(_STEPS):
            at = np.minimum(found[:, None] / sigma, _SIGMAS)
            density = (np.exp(-0.5 * at**2) / sigma) @ self.weights
            step = (probability - ndtr(at) @ self.weights) / density
            found += step * math.sqrt(2.0 * math.pi)
            if (np.abs(step) <= _EXACT * found).all():
                break
        return np.asarray(found, np.float64)


def wanders(sweeps: Sequence[Sweep]) -> tuple[Wander, ...]:
    """Return how restless each device of a rack is; one sweep each.

    Where no device has points enough, all are steady.
    """
    told = [_Evidence(one) for one in sweeps]
    telling = [one for one in told if one.scatter_ppm > 0]
    if not telling:
        return (STEADY,) * len(sweeps)
    unit_ppm = float(np.median([one.scatter_ppm for one in telling]))
    gap_s = float(np.median([one.gap_s for one in telling]))
    walk = (_WALKS * unit_ppm) ** 2 / gap_s
    likely = [one.likelihood(walk) if one in telling else None for one in told]
    return tuple(
        Wander(times=_TIMES, walk_ppm2_per_s=walk, weights=weights)
        for weights in _shared(likely)
    )


def _shared(likely: Sequence[Array | None]) -> list[Array]:
    """Return each device's probabilities, given its likelihood and the others'."""
    stranger = np.full((len(_TIMES), len(_WALKS)), 1.0 / (len(_TIMES) * len(_WALKS)))
    usual = stranger
    for _ in range(_ROUNDS):
        own = [_normal(one * usual) for one in likely if one is not None]
        usual = (_STRANGER * stranger + sum(own)) / (_STRANGER + len(own))
    known, found = _STRANGER + len(own), []
    for one in likely:
        if one is None:
            found.append(usual)
            continue
        mine = _normal(one * usual)
        others = (known * usual - mine) / (known - 1)
        found.append(_normal(one * np.maximum(others, 0.0)))
    return found


def _normal(weights: Array) -> Array:
    return np.asarray(weights / weights.sum(), np.float64)


class _Evidence:
    """What a sweep tells of scatter and walk."""

    def __init__(self, sweep: Sweep) -> None:
        self._sweep, points = sweep, sweep.points
        self.gap_s = _gap_s(points)
        self.scatter_ppm = self._scatter_ppm() if self.gap_s else 0.0

    def _scatter_ppm(self) -> float:
        """Return the standard deviation about the law; 0 where too few points tell."""
        points = self._sweep.points
        law = np.column_stack([self._sweep.law_of_both, ways_apart(points)])
        basis = basis_of(law)
        freedom = len(points) - basis.shape[1]
        if freedom < _TELLING:
            return 0.0
        left = points.offset_ppm - basis @ (basis.T @ points.offset_ppm)
        return float(np.sqrt(left @ left / freedom))

    def likelihood(self, steps: Array) -> Array:
        """Return the likelihood of each scatter and walk (`steps`, ppm^2/s)."""
        from scipy.linalg import eigh, null_space  # noqa: PLC0415 - as above

        points = self._sweep.points
        free = null_space(basis_of(self._sweep.law_of_both).T)
        noise = free.T @ (points.covariance() + _least(points)) @ free
        walk, along = eigh(free.T @ _walk(points) @ free, noise)
        still = _TIMES[:, None, None] + steps[:, None] * np.maximum(walk, 0.0)
        y = along.T @ (free.T @ points.offset_ppm)
        ways = along.T @ (free.T @ self._sweep.any_way_apart * self._ways_ppm())
        log = _log_likelihoods(y, still, ways)
        return np.asarray(np.exp(log - log.max()).sum(axis=0), np.float64)

    def _ways_ppm(self) -> float:
        """Return half of what the ways differ by, rms; 0 where they do not meet."""
        try:
            _, differences = self._sweep.differences
        except DataError:
            return 0.0
        apart = differences @ self._sweep.points.offset_ppm
        return float(np.sqrt(np.mean(apart**2))) / 2


def _log_likelihoods(y: Array, variance: Array, terms: Array) -> Array:
    """Return the log likelihood of what is seen, but for what all of them share.

    Parameters
    ----------
    y : array, shape (n,)
        What is seen, on axes along which noise and walk are independent.
    variance : array, shape (e, h, n)
        Of each, for each scatter and each walk.
    terms : array, shape (n, k)
        What normally distributed amounts add, of a sigma of each of `_AMPLE`.

    Returns shape (ample, e, h). Inverse and determinant with the terms are those of
    k by k matrices: M. A. Woodbury (1950), and the lemma of determinants; from memory.

    """
    n, k = terms.shape
    sure = 1 / variance
    products = (terms[:, :, None] * terms[:, None, :]).reshape(n, k * k)
    among = (sure @ products).reshape(*sure.shape[:2], k, k)
    seen = sure @ (terms * y[:, None])
    size = np.array(_AMPLE)[:, None, None]
    root = np.linalg.cholesky(size[..., None, None] ** 2 * among + np.eye(k))
    taken = np.linalg.solve(root, (size[..., None] * seen)[..., None])[..., 0]
    logs = np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(-1)
    misfit = sure @ y**2 - (taken**2).sum(-1)
    return np.asarray(-0.5 * (np.log(variance).sum(-1) + misfit) - logs, np.float64)


def _gap_s(points: Points) -> float:
    """Return the usual time from one point to the next; 0 for a single one."""
    gaps = np.diff(np.sort(points.t_s))
    return float(np.median(gaps)) if len(gaps) else 0.0


def _walk(points: Points) -> Array:
    """Return the generalised covariance of a walk of 1 ppm^2/s, shape (n, n)."""
    return np.asarray(-np.abs(points.t_s[:, None] - points.t_s[None, :]) / 2)


def _least(points: Points) -> Array:
    """Return a variance below which no point's is taken, as a matrix; our rule."""
    least = 1e-9 + 0.01 * float(points.u_ppm.max())
    return np.asarray(least**2 * np.eye(len(points)))
