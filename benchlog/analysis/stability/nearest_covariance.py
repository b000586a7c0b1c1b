"""The covariance of devices that is closest to independence, given their differences.

Differences do not tell what all devices share: any row of the covariance may be added.
Source (from memory): A. Premoli, P. Tavella, "A revisited three-cornered hat method for
estimating frequency standard instability", IEEE Trans. Instrum. Meas. 42 (1993) 7.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_HALVINGS: Final = 100  # our rule: down to the last digit
_ROUNDING: Final = 1e-12  # our rule: of the largest eigenvalue


def nearest_covariance(against_last: Array) -> Array:
    """Return the covariance of N devices with the smallest sum of squared covariances.

    Parameters
    ----------
    against_last : array, shape (N - 1, N - 1)
        Covariance of the differences of all devices but the last against the last.

    Returns
    -------
    array, shape (N, N)
        Positive semidefinite; its differences have exactly the covariance given.

    Notes
    -----
    With s = `against_last` and r the last column of the result, R_ij = s_ij + r_i + r_j
    - r_N. R is positive semidefinite where (r - r_N)' s^-1 (r - r_N) <= r_N. Both the
    sum of squares and this bound are convex quadratics: without the bound it is least
    squares, with it one multiplier is found by halving.

    """
    p = len(against_last)
    worth = float(np.trace(against_last)) / p or 1.0
    s = against_last / worth
    values, vectors = np.linalg.eigh(s)
    values = np.maximum(values, _ROUNDING * values.max())
    inverse = (vectors / values) @ vectors.T
    design, given = _covariances(s)
    normal, pulled = design.T @ design, -design.T @ given
    to_last = np.hstack((np.eye(p), -np.ones((p, 1))))
    bound = to_last.T @ inverse @ to_last
    unit = np.zeros(p + 1)
    unit[-1] = 1.0

    def column(weight: float) -> Array:
        found, *_ = np.linalg.lstsq(
            normal + weight * bound, pulled + weight * unit / 2.0, rcond=None
        )
        return np.asarray(found)

    def beyond(r: Array) -> float:
        return float(r @ bound @ r - r[-1])

    r = column(0.0)
    if beyond(r) > 0.0:
        low, high = 1e-12, 1e12
        for _ in range(_HALVINGS):
            middle = np.sqrt(low * high)
            low, high = (middle, high) if beyond(column(middle)) > 0 else (low, middle)
        r = column(high)
    return _built(s, r) * worth


def _covariances(s: Array) -> tuple[Array, Array]:
    """Return all covariances as `design @ r + given`."""
    p = len(s)
    rows, given = [], []
    for i in range(p):
        for j in range(i):
            row = np.zeros(p + 1)
            row[[i, j]], row[-1] = 1.0, -1.0
            rows.append(row)
            given.append(s[i, j])
        row = np.zeros(p + 1)
        row[i] = 1.0
        rows.append(row)
        given.append(0.0)
    return np.array(rows), np.array(given)


def _built(s: Array, r: Array) -> Array:
    p = len(s)
    whole = np.empty((p + 1, p + 1))
    whole[:p, :p] = s + r[:p, None] + r[None, :p] - r[-1]
    whole[-1], whole[:, -1] = r, r
    return whole
