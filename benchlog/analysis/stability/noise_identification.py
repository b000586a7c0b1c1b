"""Which power-law noise it is: identification by lag-1 autocorrelation.

Source: W. J. Riley, C. A. Greenhall, "Power law noise identification using the lag 1
autocorrelation", EFTF 2004.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.arrays import product_sum, sum_squares

Array = NDArray[np.float64]

# source: IEEE Std 1139
NOISE_NAMES: Final = {
    2: "white PM",
    1: "flicker PM",
    0: "white FM",
    -1: "flicker FM",
    -2: "random-walk FM",
    -3: "flicker walk FM",
    -4: "random-run FM",
}
"""Names of the power-law noises by the exponent alpha of S_y(f) = h f^alpha."""

# FEWEST, FIRM: tests/finders/noise_names.py. Criteria: 95 % are named rightly or as a
# neighbour; the exponent is good to 0.2.
FEWEST: Final = 30
"""Averages that are needed before the lag-1 correlation says anything."""

FIRM: Final = 128
"""Averages from which on the exponent is good to 0.2 and rounds to the right noise, for
white FM and random-walk FM; to 0.3 for flicker, 0.5 for white PM."""

MOST: Final = 1 << 16  # our rule: see below; bounds the work
"""Averages from the middle of the data that are plenty (r1 is good to 0.004)."""

# delta below this (r1 < 1/3): no further differencing; source: see above, from memory;
# noise_names.py tries others
_STATIONARY: Final = 0.25
_MOST_LIKE: Final = 0.99  # |r1| of few pairs, which could come out larger; our rule
_DEEPEST: Final = 2  # differences of frequency data: alpha down to -4; definition


def noise_exponent(
    averages: Array, *, fewest: int = FEWEST, stationary: float = _STATIONARY
) -> float | None:
    """Return the unrounded exponent alpha of frequency averages.

    Parameters
    ----------
    averages : array, shape (n,)
        Adjacent frequency averages at the averaging time of interest, any unit, NaN
        where one is missing. A straight line (drift) is removed first.
    fewest : int
        Averages below which nothing is returned.
    stationary : float
        delta below which the series is not differenced any further.

    Returns
    -------
    float or None
        None below `fewest` averages (or pairs of adjacent ones), and where they do not
        scatter.

    Notes
    -----
    r1 is the lag-1 autocorrelation and delta = r1/(1 + r1); while delta is not
    below `stationary` the series is differenced, d times in all; alpha =
    -2 (delta + d). Where averages are missing, r1 is the mean product of the pairs that
    are there over the mean square.

    """
    if len(averages) > MOST:
        start = (len(averages) - MOST) // 2
        averages = averages[start : start + MOST]
    there = ~np.isnan(averages)
    if np.count_nonzero(there) < fewest:
        return None
    whole = bool(there.all())
    z = _without_line(averages) if whole else _without_line_in_gaps(averages, there)
    noise_floor = 1e-14 * float(np.nanmax(np.abs(averages)))
    for d in range(_DEEPEST + 1):
        r1 = _lag_one(z, noise_floor) if whole else _lag_one_in_gaps(z, noise_floor)
        if r1 is None:
            return None
        delta = r1 / (1.0 + r1)
        if delta < stationary or d == _DEEPEST:
            return -2.0 * (delta + d)
        z = np.diff(z)
    return None


def _lag_one(z: Array, noise_floor: float) -> float | None:
    """Return the lag-1 autocorrelation, None where there is no scatter."""
    z = z - z.mean()
    power = sum_squares(z)
    if power <= noise_floor**2 * len(z):
        return None
    return product_sum(z[1:], z[:-1]) / power


def _lag_one_in_gaps(z: Array, noise_floor: float) -> float | None:
    """Return the same from the values and pairs that are there."""
    known = z[~np.isnan(z)]
    centred = z - known.mean() if len(known) else z
    pairs = centred[1:] * centred[:-1]
    pairs = pairs[~np.isnan(pairs)]
    power = float(np.mean((known - known.mean()) ** 2)) if len(known) else 0.0
    if len(pairs) < FEWEST - 1 - _DEEPEST or power <= noise_floor**2:
        return None
    return float(np.clip(pairs.mean() / power, -_MOST_LIKE, _MOST_LIKE))


def noise_of(averages: Array) -> int | None:
    """Return alpha rounded to the nearest noise of the table, -4 ... 2; or None."""
    exponent = noise_exponent(averages)
    return None if exponent is None else int(np.clip(round(exponent), -4, 2))


def _without_line_in_gaps(values: Array, there: NDArray[np.bool_]) -> Array:
    t = np.flatnonzero(there).astype(np.float64)
    t -= t.mean()
    known = values[there] - values[there].mean()
    out = np.full(len(values), np.nan)
    out[there] = known - t * (product_sum(t, known) / sum_squares(t))
    return out


def _without_line(values: Array) -> Array:
    t: Array = np.arange(float(len(values))) - (len(values) - 1) / 2.0
    centred: Array = values - values.mean()
    return np.asarray(centred - t * (product_sum(t, centred) / sum_squares(t)))


# --- which noise is named at each averaging time, where fewer and fewer averages are
#
# The exponent found by the lag-1 autocorrelation is good to about 3.2/sqrt(n) (measured
# for flicker FM), so with few averages chance names the wrong noise: of pure flicker FM
# runs it called every second one random walk. Two answers are given therefore.
#
# *likely* is the name. In a sum of power laws the steeper ones win as averaging grows,
# so a quicker noise is not believed from few averages, and a slower one only as far as
# the Allan variance itself bears it out, which goes as tau^(-alpha - 1): it is not
# called random walk while it falls.
#
# *cautious* is what intervals rest on: the slowest noise found so far, whether borne
# out or not. An interval for a noise too slow is too wide, one for a noise too quick
# misses (`tests/analysis/coverage.md`).


@dataclass(frozen=True, slots=True)
class Named:
    """The noise at an averaging time: as it is named, and as intervals take it.

    Both are exponents alpha, None where nothing is known. `carried`: too few averages
    are left to tell, it is that of the shorter averaging time.
    """

    likely: int | None = None
    cautious: int | None = None
    carried: bool = False


def named(averages: Array, before: Named, slope: Callable[[], float | None]) -> Named:
    """Name the noise of averages.

    Parameters
    ----------
    averages : array, shape (n,)
        Adjacent frequency averages, NaN where one is missing.
    before : Named
        What was named at the shorter averaging time.
    slope : callable
        Gives d ln(Allan variance) / d ln(tau) from that time to this one, None where
        there is none.

    """
    found = noise_of(averages)
    if found is None:
        return Named(before.likely, before.cautious, before.likely is not None)
    if before.likely is None or before.cautious is None:
        return Named(found, found)
    if np.count_nonzero(~np.isnan(averages)) >= FIRM:
        return Named(found, found)
    likely = before.likely
    if found < likely:
        mu = slope()
        borne_out = found if mu is None else round(-mu - 1.0)
        likely = max(found, min(likely, borne_out))
    return Named(likely, min(found, before.cautious))
