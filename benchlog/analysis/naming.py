"""Which noise is named at each averaging time, where fewer and fewer averages are left.

The exponent found by the lag-1 autocorrelation is good to about 3.2/sqrt(n) (measured
for flicker FM), so with few averages chance names the wrong noise: of pure flicker FM
runs it called every second one random walk. Two answers are given therefore.

*likely* is the name. In a sum of power laws the steeper ones win as averaging grows, so
a quicker noise is not believed from few averages, and a slower one only as far as the
Allan variance itself bears it out, which goes as tau^(-alpha - 1): it is not called
random walk while it falls.

*cautious* is what intervals rest on: the slowest noise found so far, whether borne out
or not. An interval for a noise too slow is too wide, one for a noise too quick misses
(`tests/analysis/coverage.md`).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.noise import FIRM, noise_of

Array = NDArray[np.float64]


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
