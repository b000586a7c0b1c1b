"""A check standard's control chart: has the bench moved?

The chart for individual values (NIST/SEMATECH e-Handbook of Statistical Methods,
6.3.2.2; from memory): the centre is the mean of earlier values, their spread the mean
moving range / 1.128, control limits three of that to either side. Eight values in a row
on one side of the centre tell of a smaller, lasting shift (Western Electric rule 4).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

FEWEST: Final = 5  # our rule: fewer show no spread
"""Earlier values below which no limits are drawn."""
D2: Final = 1.128  # source: see above
"""Mean range of two values of a normal distribution, in standard deviations."""
SIGMAS: Final = 3.0  # source: see above
RUN: Final = 8  # source: see above


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlChart:
    """Where the newest value stands; limits are None while there are too few.

    `moved` is None then, else whether a rule is broken; `reasons` say which.
    """

    n: int
    newest: float
    centre: float | None
    sigma: float | None
    low: float | None
    high: float | None
    moved: bool | None
    reasons: tuple[str, ...]


def control_chart(values: Sequence[float], least_sigma: float) -> ControlChart:
    """Hold the newest of some values (in order of time, ppm) against the others.

    `least_sigma` is what one value is uncertain by on its own; the spread is not taken
    for less. Raises ValueError without a value.
    """
    if not values:
        raise ValueError("a control chart needs a value")
    newest, earlier = values[-1], np.array(values[:-1], dtype=np.float64)
    if len(earlier) < FEWEST:
        text = f"{len(values)} values: limits are drawn from {FEWEST + 1} on"
        return ControlChart(
            n=len(values),
            newest=newest,
            centre=None,
            sigma=None,
            low=None,
            high=None,
            moved=None,
            reasons=(text,),
        )
    centre = float(earlier.mean())
    moving = float(np.abs(np.diff(earlier)).mean())
    sigma = max(moving / D2, least_sigma)
    low, high = centre - SIGMAS * sigma, centre + SIGMAS * sigma
    reasons = []
    if not low <= newest <= high:
        away = (newest - centre) / sigma if sigma > 0 else float("inf")
        reasons.append(
            f"{away:+.1f} standard deviations from the centre: out of control"
        )
    last = np.array(values[-RUN:]) - centre
    if len(last) == RUN and (np.all(last > 0) or np.all(last < 0)):
        reasons.append(f"{RUN} values in a row on one side of the centre")
    return ControlChart(
        n=len(values),
        newest=newest,
        centre=centre,
        sigma=sigma,
        low=low,
        high=high,
        moved=bool(reasons),
        reasons=tuple(reasons),
    )
