"""The shape of a lot: histogram with limits, outliers, groups that do not belong."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

OUTLIER_SCORE: Final = 3.5  # source: Iglewicz and Hoaglin, see `outliers`
"""Modified z-score beyond which a value is marked [1]_."""
MAD_TO_SD: Final = 1.4826  # definition: 1 / 0.6745, of normal scatter
MOST_BINS: Final = 60  # our rule: as many as a picture shows apart

GROUPS_APART: Final = (4.0, 40.0)
"""A lot of n counts as two when its parts are 4 + 40/n of their mean spread apart
(Ashman's D). Meant for less than 1 % of normal and evenly spread lots to reach that by
chance; evenly spread lots of about 8 to 13 exceed it a little. The finder is
tests/finders/lot_groups.py (see RESULTS.md). Our rule, no source."""
MOST_OUTLIERS: Final = 0.2
"""Share of a lot beyond which values far from the rest are a group of their own, if
they are apart from it as groups are. Our rule, no source."""
SMALLEST_GROUP: Final = 3  # our rule: two may be chance
SMALLEST_SHARE: Final = 0.05  # our rule: fewer are outliers and no group


@dataclass(frozen=True, slots=True)
class Histogram:
    """Counts between edges; both limits fall on edges where the lot reaches them.

    `edges_ppm` has one value more than `counts`; every value lies in a bin, which
    includes its lower edge (the last bin its upper one too).
    """

    edges_ppm: tuple[float, ...]
    counts: tuple[int, ...]
    limit_ppm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Groups:
    """Two groups in one lot: their sizes, means, and how far apart they are."""

    split_ppm: float
    low_n: int
    high_n: int
    low_mean_ppm: float
    high_mean_ppm: float
    apart: float


def histogram(offsets_ppm: Sequence[float], limit_ppm: float) -> Histogram | None:
    """Return the histogram; None without values.

    The width is Freedman's and Diaconis's 2 IQR / n^(1/3), taken to the next fraction
    1/k (or multiple) of the limit, and no finer than gives 60 bins.
    """
    values = np.asarray(offsets_ppm, dtype=np.float64)
    if not len(values):
        return None
    width = _bin_width(values, limit_ppm)
    first = math.floor(float(values.min()) / width)
    last = max(first + 1, math.ceil(float(values.max()) / width))
    edges = np.arange(first, last + 1) * width
    edges[-1] = max(edges[-1], values.max())
    edges[0] = min(edges[0], values.min())
    counts, _ = np.histogram(values, edges)
    return Histogram(
        tuple(float(edge) for edge in edges), tuple(int(c) for c in counts), limit_ppm
    )


def _bin_width(values: Array, limit_ppm: float) -> float:
    quarter = np.subtract(*np.percentile(values, [75, 25]))
    wanted: float = 2.0 * float(quarter) / len(values) ** (1 / 3)
    wanted = max(wanted, float(np.ptp(values)) / (MOST_BINS - 2), limit_ppm * 1e-6)
    if wanted >= limit_ppm:
        return limit_ppm * math.ceil(wanted / limit_ppm)
    return limit_ppm / math.floor(limit_ppm / wanted)


def outliers(offsets_ppm: Sequence[float], floor_ppm: float = 0.0) -> tuple[int, ...]:
    """Return the indices of values that do not belong to the rest.

    A value is marked when |x - median| / (1.4826 MAD) * 0.6745 * 1.4826 > 3.5, the
    modified z-score of [1]_. `floor_ppm` is the standard uncertainty of one value: a
    lot that scatters less than it was measured marks nothing for that. Marked values
    stay in every count and figure of the verdict.

    References
    ----------
    .. [1] B. Iglewicz, D. C. Hoaglin, "How to Detect and Handle Outliers" (1993);
       NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.

    """
    values = np.asarray(offsets_ppm, dtype=np.float64)
    if len(values) < 3:
        return ()
    away = np.abs(values - np.median(values))
    scale = max(float(np.median(away)), floor_ppm / MAD_TO_SD)
    marked = 0.6745 * away > OUTLIER_SCORE * scale
    return tuple(int(i) for i in np.flatnonzero(marked))


def odd_ones(offsets_ppm: Sequence[float], floor_ppm: float = 0.0) -> tuple[int, ...]:
    """Return the indices of values that belong to nothing: neither lot nor group.

    Those of `outliers`; where these are so many that they make a group, those of each
    of the two groups.
    """
    found = outliers(offsets_ppm, floor_ppm)
    if len(found) <= MOST_OUTLIERS * len(offsets_ppm):
        return found
    two = groups(offsets_ppm, floor_ppm)
    if two is None:
        return found
    values = np.asarray(offsets_ppm, dtype=np.float64)
    is_low = values < two.split_ppm
    sides = np.flatnonzero(is_low), np.flatnonzero(~is_low)
    odd = [int(s[i]) for s in sides for i in outliers(values[s].tolist(), floor_ppm)]
    return tuple(sorted(odd))


def groups(
    offsets_ppm: Sequence[float],
    floor_ppm: float = 0.0,
    groups_apart: tuple[float, float] = GROUPS_APART,
) -> Groups | None:
    """Return two groups when the lot looks like two mixed together, else None.

    The lot is split where the scatter inside both parts is least (Otsu 1979) and
    counts as two when the parts are far apart (`groups_apart`) in Ashman's D =
    |m1 - m2| / sqrt((s1^2 + s2^2) / 2) (Ashman, Bird, Zepf 1994) and neither is just
    a few values. `floor_ppm` is the standard uncertainty of one value.
    """
    values = np.sort(np.asarray(offsets_ppm, dtype=np.float64))
    least = max(SMALLEST_GROUP, math.ceil(SMALLEST_SHARE * len(values)))
    if len(values) < 2 * least:
        return None
    cut = _best_cut(values, least)
    low, high = values[:cut], values[cut:]
    spread = math.sqrt((float(low.var()) + float(high.var())) / 2.0)
    between = float(high.mean() - low.mean())
    apart = between / max(spread, floor_ppm, 1e-12)
    if apart < groups_apart[0] + groups_apart[1] / len(values):
        return None
    split = float(low[-1] + high[0]) / 2.0
    return Groups(
        split_ppm=split,
        low_n=len(low),
        high_n=len(high),
        low_mean_ppm=float(low.mean()),
        high_mean_ppm=float(high.mean()),
        apart=apart,
    )


def _best_cut(values: Array, least: int) -> int:
    """Return the size of the lower part for the least scatter inside the parts."""
    n = len(values)
    sizes = np.arange(least, n - least + 1)
    centred = values - values.mean()
    below = np.cumsum(centred)[sizes - 1]
    # The sum of squares between the parts; what is between is not inside.
    between = below**2 * n / (sizes * (n - sizes))
    return int(sizes[int(np.argmax(between))])
