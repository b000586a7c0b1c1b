"""How well the mean of a run stands for the device: the noise fit.

The overlapping Allan variance at octaves is fitted with

    d/tau^2 + a/tau + b + c tau        (all terms non-negative)

for a counter's own white phase noise, white, flicker and random-walk frequency noise,
and read at tau = T, the length of the run. s/sqrt(n) is the special case of white
frequency noise alone and understates all others that do not average out.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls  # type: ignore[attr-defined]

from benchlog.analysis.stats import RunStats

Array = NDArray[np.float64]
TERM_NAMES: Final = ("white PM", "white FM", "flicker FM", "random-walk FM")
_POWERS: Final = np.array([-2.0, -1.0, 0.0, 1.0])
_ROUNDS: Final = 4  # reweighting by the fit itself settles by then


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
    """Return u of the mean, the Allan deviation of the fitted noise at T.

    None below two readings, and where no two readings follow each other.
    """
    points = stats.avar
    if stats.n < 2 or not points:
        return None
    m = np.array([point.m for point in points], dtype=np.float64)
    avar = np.array([point.avar for point in points])
    pairs = np.array([point.n for point in points], dtype=np.float64)
    if not np.any(avar > 0):
        return MeanUncertainty(0.0, np.inf, "readings all alike", (0.0,) * 4)
    # An average over m readings is new only every m readings.
    freedom = np.maximum(1.0, pairs / m)
    coefficients = _fit(m, avar, freedom)
    shares = coefficients * float(stats.n) ** _POWERS
    u = float(np.sqrt(shares.sum()))
    strongest = int(np.argmax(shares))
    text = f"{stats.n} readings, mostly {TERM_NAMES[strongest]}"
    d, a, b, c = (float(share) for share in shares)
    return MeanUncertainty(u, _freedom(shares, m, freedom), text, (d, a, b, c))


def _fit(m: Array, avar: Array, freedom: Array) -> Array:
    """Fit the four terms, each point weighted by its relative uncertainty."""
    design = m[:, None] ** _POWERS
    model = np.maximum(avar, 1e-9 * avar.max())
    for _ in range(_ROUNDS):
        weight = np.sqrt(freedom / 2.0) / model
        scale = np.abs(design * weight[:, None]).max(axis=0)
        found, _ = nnls(design * weight[:, None] / scale, avar * weight)
        coefficients = found / scale
        model = np.maximum(design @ coefficients, 1e-9 * avar.max())
    return np.asarray(coefficients)


def _freedom(shares: Array, m: Array, freedom: Array) -> float:
    """Combine degrees of freedom: each share is known where it shows most."""
    last = len(m) - 1
    where = [0, 0, min(2, last), last]
    total = float(shares.sum())
    spread = sum(
        (float(share) / total) ** 2 / float(freedom[at])
        for share, at in zip(shares, where, strict=True)
    )
    return 1.0 / spread if spread > 0 else float("inf")
