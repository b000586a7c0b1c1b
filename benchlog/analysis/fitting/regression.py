"""Least squares under noise that does not average out.

Residuals of clocks are not independent: with flicker noise the usual interval of a
slope is several times too narrow. Every mixture of white noise with flicker or random
walk on a ladder is weighed by its restricted likelihood, and estimates and intervals
are the weighted ones of generalised least squares.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import student_quantile
from benchlog.errors import DataError

Array = NDArray[np.float64]

MOST: Final = 300  # our rule: the work grows faster than their square
"""Rows that are fitted; longer data are averaged in equal blocks first."""

# Ladders and weights: tests/finders/regression_weights.py. Criterion: 92 to 98 % of the
# intervals of slopes hold, the aim in tests/analysis/coverage.md.
_FLICKER: Final = tuple(10.0**power for power in (-2.0, -1.0, -0.5, 0.0, 0.5, 1.5))
_WALK: Final = tuple(10.0**power for power in (-5.0, -4.0, -3.0, -2.0, -1.0, 0.0))
_WEIGHTS: Final = {
    "white": 1.0,
    "white and flicker": 0.01,
    "white and random walk": 0.003,
}
"""Weight of each mixture on the ladders."""

# residual sum of squares that is only rounding; our rule: 1e-12 ppm
_NOTHING: Final = 1e-24
# variance of the common level, which nothing is asked of; our rule: any large one does
_FAR: Final = 1e6
_SMALL: Final = 16
"""Our rule: rows of a quarter below which quarters gain nothing."""


@dataclass(frozen=True, slots=True)
class Model:
    """One noise model's fit: coefficients, covariance, log weight."""

    noise: str
    log_weight: float
    coefficients: Array
    covariance: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class LinearFit:
    """Coefficients of a linear model with what is known of them.

    `covariance` includes the disagreement of the noise models; `degrees_of_freedom`
    is that of the residuals, `noise` the likeliest model, `log_evidence` compares fits
    of the same data by different laws.
    """

    coefficients: Array
    covariance: Array
    degrees_of_freedom: float
    residual_rms: float
    r2: float
    noise: str
    log_evidence: float

    @property
    def u(self) -> Array:
        """Standard uncertainties."""
        return np.asarray(np.sqrt(np.maximum(np.diag(self.covariance), 0.0)))

    def half_width(self, row: Array, probability: float = 0.95) -> float:
        """Return the half-width of the interval of `row` @ coefficients."""
        variance = max(0.0, float(row @ self.covariance @ row))
        return self.quantile(probability) * math.sqrt(variance)

    def quantile(self, probability: float = 0.95) -> float:
        """Return the two-sided Student quantile of the residuals' freedom."""
        return student_quantile(self.degrees_of_freedom, 0.5 + probability / 2.0)


def combined(fits: Sequence[LinearFit], weights: Array, best: LinearFit) -> LinearFit:
    """Return fits of the same data in one: what they disagree by is in its covariance.

    `weights` sum to 1; what no average can be made of is that of the `best`.
    """
    each = np.array([one.coefficients for one in fits])
    mean = weights @ each
    covariance = np.zeros_like(best.covariance)
    for weight, one, step in zip(weights, fits, each - mean, strict=True):
        covariance += weight * (one.covariance + np.outer(step, step))
    return replace(best, coefficients=mean, covariance=covariance)


def means_between(columns: Sequence[Array], starts: NDArray[np.int64]) -> list[Array]:
    """Average columns of equal length in blocks that begin at `starts`."""
    counts = np.diff(np.append(starts, len(columns[0])))
    return [np.add.reduceat(column, starts) / counts for column in columns]


def block_starts(
    stretches: NDArray[np.int64], n: int, most: int = MOST
) -> NDArray[np.int64]:
    """Return where blocks of equal size begin; none reaches from stretch to stretch.

    Blocks are as long as `most` of them need to be, and may be more by one a stretch.
    """
    size = -(-n // most)
    ends = np.append(stretches[1:], n)
    pairs = zip(stretches.tolist(), ends.tolist(), strict=True)
    return np.concatenate([np.arange(begin, end, size) for begin, end in pairs])


def block_means(columns: Sequence[Array], most: int = MOST) -> list[Array]:
    """Average columns of equal length in equal blocks, at most `most` of them."""
    n = len(columns[0])
    size = -(-n // most)
    if size <= 1:
        return [np.asarray(column, dtype=np.float64) for column in columns]
    blocks = n // size
    return [column[: blocks * size].reshape(blocks, size).mean(1) for column in columns]


class Regression:
    """Fits of values at the same times; the noise models are prepared once.

    Parameters
    ----------
    at : array, shape (n,)
        Times in any unit, rising. Each value is an average over about the spacing.
    weights : mapping
        Weight of each kind of noise on its ladder.
    flicker, walk : sequences of float
        The ladders: variance of the slower noise over that of the white one.

    Raises DataError when times do not rise.

    """

    def __init__(
        self,
        at: Array,
        *,
        weights: Mapping[str, float] = _WEIGHTS,
        flicker: Sequence[float] = _FLICKER,
        walk: Sequence[float] = _WALK,
    ) -> None:
        self.at = at
        self._whiteners = _whiteners(_lags(at), weights, flicker, walk)

    def fit(self, design: Array, y: Array) -> LinearFit:
        """Fit y = design @ coefficients + noise.

        Parameters
        ----------
        design : array, shape (n, p)
            The first column is the constant.
        y : array, shape (n,)

        Raises DataError with fewer than p + 2 rows, when columns depend on each other,
        and when nothing scatters.

        """
        return self.fit_each(design[None], y)[0]

    def fit_each(self, designs: Array, y: Array) -> list[LinearFit]:
        """Fit the same values by several laws, `fit` for each of them.

        Parameters
        ----------
        designs : array, shape (m, n, p)
        y : array, shape (n,)

        They are made white together: a product for each noise model, not for each law.
        Raises DataError as `fit` does, when it would for any of them.

        """
        _, n, p = designs.shape
        if n < p + 2:
            raise DataError(
                f"{n} values for {p} coefficients: at least {p + 2} are needed"
            )
        centre = float(y.mean())
        y = y - centre
        scale = np.abs(designs).max(axis=1)
        if np.any(scale == 0) or _rank(designs / scale[:, None]) < p:
            raise DataError(
                "the quantities do not vary independently enough to tell them apart"
            )
        columns = _side_by_side(designs / scale[:, None], y)
        by_noise = [_generalised(columns, p, one) for one in self._whiteners]
        found = []
        for models, design, own in zip(
            zip(*by_noise, strict=True), designs, scale, strict=True
        ):
            sound = [model for model in models if model is not None]
            if not sound:
                raise DataError("the values do not scatter: nothing to estimate from")
            one = _combine(sound, design, y, own)
            coefficients = one.coefficients.copy()
            coefficients[0] += centre
            found.append(replace(one, coefficients=coefficients))
        return found


def _rank(designs: Array) -> int:
    """Return the lowest rank of several designs."""
    return int(np.linalg.matrix_rank(designs, tol=1e-9).min())


def _side_by_side(designs: Array, y: Array) -> Array:
    """Return the columns of all designs in one array, and the values as its last."""
    return np.column_stack([designs.transpose(1, 0, 2).reshape(len(y), -1), y])


def _lags(at: Array) -> Array:
    """Distances in units of the usual spacing."""
    spacing = float(np.median(np.diff(at)))
    if spacing <= 0:
        raise DataError("times must rise")
    return np.asarray(np.abs(at[:, None] - at[None, :]) / spacing)


@dataclass(frozen=True, slots=True)
class _Whitener:
    """Makes noise of one covariance white: root of its inverse, and log determinant."""

    noise: str
    inverse_root: Array
    log_root_determinant: float
    log_prior: float


def _whiteners(
    lags: Array,
    weights: Mapping[str, float],
    flicker: Sequence[float],
    walk: Sequence[float],
) -> list[_Whitener]:
    made = []
    for noise, covariance in _noises(lags, flicker, walk):
        level = _FAR * float(np.abs(covariance).max())
        try:
            root = np.asarray(np.linalg.cholesky(covariance + level), np.float64)
        except np.linalg.LinAlgError:
            continue
        prior = math.log(weights[noise])
        determinant = float(np.log(np.diag(root)).sum())
        made.append(_Whitener(noise, _inverse_of_lower(root), determinant, prior))
    return made


def _inverse_of_lower(root: Array) -> Array:
    """Invert a lower triangular matrix by its quarters.

    Of 300 rows in a quarter of the time that an inverse of any matrix takes.
    """
    half = len(root) // 2
    if half <= _SMALL:
        return np.tril(np.linalg.inv(root))
    first = _inverse_of_lower(root[:half, :half])
    last = _inverse_of_lower(root[half:, half:])
    found = np.zeros_like(root)
    found[:half, :half], found[half:, half:] = first, last
    found[half:, :half] = -last @ (root[half:, :half] @ first)
    return found


def _noises(
    lags: Array, flicker: Sequence[float], walk: Sequence[float]
) -> list[tuple[str, Array]]:
    white = np.eye(len(lags))
    slower = _averaged(lags, lambda t: t**2 * np.log(np.maximum(t, 1e-300)) / 2.0)
    slowest = _averaged(lags, lambda t: t**3 / 6.0)
    return [
        ("white", white),
        *(("white and flicker", white + r * slower) for r in flicker),
        *(("white and random walk", white + r * slowest) for r in walk),
    ]


def _averaged(lags: Array, twice_summed: Callable[[Array], Array]) -> Array:
    """Covariance of averages over one spacing from the twice integrated kernel."""
    around = twice_summed(lags + 1.0) + twice_summed(np.abs(lags - 1.0))
    return -(around - 2.0 * twice_summed(lags))


def _generalised(columns: Array, p: int, whitener: _Whitener) -> list[Model | None]:
    """Return generalised least squares with its restricted log likelihood.

    Parameters
    ----------
    columns : array, shape (n, m p + 1)
        m designs of p columns beside each other, then the values.

    Of each design a model, None where nothing scatters about it.

    """
    n = len(columns)
    white = whitener.inverse_root @ columns
    designs = white[:, :-1].reshape(n, -1, p).transpose(1, 0, 2)
    y, squares = white[:, -1], float(columns[:, -1] @ columns[:, -1])
    q, r = np.linalg.qr(designs)
    solved = np.linalg.solve(r, (q.transpose(0, 2, 1) @ y)[..., None])[..., 0]
    rest = y - (designs @ solved[..., None])[..., 0]
    rss = np.einsum("ij,ij->i", rest, rest)
    inverse = np.linalg.inv(r)
    heights = np.log(np.abs(np.diagonal(r, axis1=1, axis2=2))).sum(axis=1)
    models: list[Model | None] = []
    for k, left in enumerate(rss.tolist()):
        if left <= _NOTHING * squares:
            models.append(None)
            continue
        determinants = whitener.log_root_determinant + float(heights[k])
        log_weight = whitener.log_prior - determinants - 0.5 * (n - p) * math.log(left)
        covariance = inverse[k] @ inverse[k].T * (left / (n - p))
        models.append(Model(whitener.noise, log_weight, solved[k], covariance))
    return models


def _combine(models: list[Model], design: Array, y: Array, scale: Array) -> LinearFit:
    n, p = design.shape
    logs = np.array([model.log_weight for model in models])
    weights = np.exp(logs - logs.max())
    evidence = float(logs.max() + np.log(weights.mean()))
    weights /= weights.sum()
    each = np.array([model.coefficients for model in models])
    mean = weights @ each
    apart = each - mean
    covariance = sum(
        weight * (model.covariance + np.outer(step, step))
        for weight, model, step in zip(weights, models, apart, strict=True)
    )
    coefficients = mean / scale
    rest = y - design @ coefficients
    spread = float(np.sum((y - y.mean()) ** 2))
    return LinearFit(
        coefficients=coefficients,
        covariance=np.asarray(covariance) / np.outer(scale, scale),
        degrees_of_freedom=float(n - p),
        residual_rms=float(np.sqrt(rest @ rest / (n - p))),
        r2=1.0 - float(rest @ rest) / spread if spread > 0 else 0.0,
        noise=models[int(logs.argmax())].noise,
        log_evidence=evidence,
    )
