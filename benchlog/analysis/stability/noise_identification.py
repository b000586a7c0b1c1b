"""Which power-law noise it is: identification by lag-1 autocorrelation.

Source: W. J. Riley, C. A. Greenhall, "Power law noise identification using the lag 1
autocorrelation", EFTF 2004; NIST SP 1065, 5.5.6 (section from memory).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.arrays import product_sum, sum_squares
from benchlog.analysis.stability.lag_one import blended, placed

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
# neighbour; 95 % rightly, averaged white, flicker and random-walk FM.
FEWEST: Final = 30
"""Averages that are needed before the lag-1 correlation says anything."""

FIRM: Final = 128
"""Averages from which on a name is taken as it is found. The exponent of averaged
flicker and random-walk FM is then good to 0.3, and half a unit from the bounds."""

MOST: Final = 1 << 16  # our rule: see below; bounds the work
"""Averages from the middle of the data that are plenty (r1 is good to 0.004)."""

# delta below this: no further differencing; derived: midway between the largest delta
# that a stationary remainder has and 1/2, where none is stationary any more. That is 0
# before the first difference (white FM), 1/5 after it (averaged random walk, r1 = 1/4).
# noise_names.py tries others
_STATIONARY: Final = (0.25, 0.35)
_MOST_LIKE: Final = 0.99  # |r1| of few pairs, which could come out larger; our rule
_DEEPEST: Final = 2  # differences of frequency data: alpha down to -4; definition


def noise_exponent(
    averages: Array,
    *,
    fewest: int = FEWEST,
    stationary: tuple[float, float] = _STATIONARY,
) -> float | None:
    """Return the lag-1 exponent of frequency averages.

    Parameters
    ----------
    averages : array, shape (n,)
        Adjacent frequency averages at the averaging time of interest, any unit, NaN
        where one is missing. A straight line (drift) is removed first.
    fewest : int
        Averages below which nothing is returned.
    stationary : tuple of float
        delta below which the series is not differenced for the first, the second time.

    Returns
    -------
    float or None
        None below `fewest` averages (or pairs of adjacent ones), and where they do not
        scatter.

    Notes
    -----
    r1 is the lag-1 autocorrelation and delta = r1/(1 + r1); while delta is not
    below `stationary` the series is differenced, d times in all; the exponent is
    -2 (delta + d). `lag_one.placed` tells which noise it means at which m. Where
    averages are missing, r1 is the mean product of the pairs that are there over the
    mean square.

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
        if d == _DEEPEST or delta < stationary[d]:
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


def noise_of(averages: Array, m: int) -> int | None:
    """Return alpha of the noise of averages over m values, -4 ... 1; or None.

    Phase noises are 1, whichever it is.
    """
    exponent = noise_exponent(averages)
    return None if exponent is None else placed(exponent, m)[0]


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
# A name is the noise whose exponent is nearest to the one found, and every noise has an
# exponent of its own at each m (`lag_one.py`). The exponent found errs by about
# 3.2/sqrt(n) (measured for flicker FM), its bounds are 0.35 to 0.7 away: from fewer
# averages than FIRM chance names a neighbour too often. Two answers are given
# therefore.
#
# *likely* is the name. In a sum of power laws the steeper ones win as averaging grows,
# so a quicker noise is not believed from few averages, and a slower one only as far as
# the Allan variance itself bears it out, which goes as tau^(-alpha - 1): it is not
# called random walk while it falls. It falls alike for both phase noises, so white PM
# stays white PM.
#
# *cautious* is what intervals and bias corrections are made for: the slowest noise
# found so far, whether borne out or not. An interval for a noise too slow is too wide,
# one for a noise too quick misses (`tests/analysis/coverage.md`). It has no steps:
# between two noises it is the share of each, so that a name that changes from one
# averaging time to the next moves no figure by more than the exponent moved.


@dataclass(frozen=True, slots=True)
class Named:
    """The noise at an averaging time: as it is named, and as intervals take it.

    Both are exponents alpha, None where nothing is known; `cautious` may lie between
    two noises. `carried`: too few averages are left to tell, it is that of the shorter
    averaging time.
    """

    likely: int | None = None
    cautious: float | None = None
    carried: bool = False


class Slopes(NamedTuple):
    """What the variances say of the way from the shorter averaging time to this one.

    `allan` gives d ln(Allan variance) / d ln(tau). `phase` gives how far the modified
    Allan variance is on its way from that of flicker PM (0) to that of white PM (1).
    Each is called only where it is needed, and gives None where there is none.
    """

    allan: Callable[[], float | None]
    phase: Callable[[], float | None]


def named(averages: Array, m: int, before: Named, slopes: Slopes) -> Named:
    """Name the noise of averages.

    Parameters
    ----------
    averages : array, shape (n,)
        Adjacent frequency averages, NaN where one is missing.
    m : int
        How many values each is the average of.
    before : Named
        What was named at the shorter averaging time.
    slopes : Slopes
        From that time to this one.

    """
    exponent = noise_exponent(averages)
    if exponent is None:
        return Named(before.likely, before.cautious, before.likely is not None)
    found, blend = placed(exponent, m)
    firm = np.count_nonzero(~np.isnan(averages)) >= FIRM
    known = before.likely is not None and before.cautious is not None
    if blend > 0.0:
        share = slopes.phase() if firm or not known else None
        white = 1.0 if share is None else share
        blend *= 1.0 + blended(white)
        found += found == 1 and white > 0.5
    if firm or before.likely is None or before.cautious is None:
        return Named(found, blend)
    likely = before.likely
    if found < likely:
        likely = max(found, min(likely, _borne_out(found, slopes)))
    return Named(likely, min(blend, before.cautious))


def _borne_out(found: int, slopes: Slopes) -> int:
    """Return the noise that the Allan variance bears out; white PM for either one."""
    mu = slopes.allan()
    if mu is None:
        return found
    alpha = round(-mu - 1.0)
    return 2 if alpha >= 1 else alpha
