"""What pulses of a device say of its timing, and how long until they say enough."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from benchlog.analysis.pulses.grid import PulseCounts

_LONGEST_S: Final = 30 * 86_400.0
_HALVINGS: Final = 40


@dataclass(frozen=True, slots=True)
class Timing:
    """Figures of a run of pulses besides its offset.

    Parameters
    ----------
    against : str
        Whose time they are held against, for people.
    counts : PulseCounts
        The device's pulses by kind; `reference` likewise, None without one.
    rms_s, pp_s : float | None
        Time residuals about the straight line, in s; None while there is no line.
    set_aside, reference_set_aside : int
        Good pulses too far from the line to count.
    judged_in_s : float | None
        Seconds until the verdict is expected; 0 when it is there, None when it is not
        to be had in this way or nothing can be said yet.
    by_itself : bool
        Whether statistics, not the reference, are what stands in the way.

    """

    against: str
    counts: PulseCounts
    reference: PulseCounts | None = None
    rms_s: float | None = None
    pp_s: float | None = None
    set_aside: int = 0
    reference_set_aside: int = 0
    judged_in_s: float | None = None
    by_itself: bool = True


def span_until(
    u_after: Callable[[float], float], span_s: float, wanted: float
) -> float | None:
    """Return the length at which `u_after` falls to `wanted`; None within 30 days.

    `u_after` must not grow with the length.
    """
    if u_after(span_s) <= wanted:
        return span_s
    if u_after(_LONGEST_S) > wanted:
        return None
    low, high = math.log(span_s), math.log(_LONGEST_S)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if u_after(math.exp(middle)) > wanted:
            low = middle
        else:
            high = middle
    return math.exp(high)
