"""How far two stretches of a run lie apart by noise alone, when they do not adjoin.

The Allan deviation is about stretches that follow each other. Between the settled parts
of two phases lies time in which slow noise goes on: under random-walk FM the difference
of two means n long and r n apart has (3 r - 1)/2 times the variance of two that adjoin.

The mean of frequency over [a, b] is (x(b) - x(a))/(b - a), so the difference of two
means is a sum of four phases w_i x(t_i) whose weights and first moments vanish. For
power-law noise its variance is the sum of w_i w_j K(t_i - t_j) with the generalised
covariance K of the phase: -|t| for white FM, t^2 ln|t| for flicker FM, |t|^3 for
random-walk FM, and 1 at t = 0 only for white PM (up to factors that cancel; see J. A.
Barnes et al., IEEE Trans. IM-20 (1971) 105, from memory, and the tests).
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.noise_mixture import Ladder, spread_of
from benchlog.analysis.uncertainty import even_evidence

Array = NDArray[np.float64]
Window = tuple[float, float]

# tests/finders/response_ladder.py. Criterion: at most 5 % of runs in which nothing was
# done respond, in every noise and mixture.
PHASE_RUNG: Final = 3.0
"""Weight of slow noise beside white PM: more than for the mean of one run, because
between two phases it goes on unseen, and white PM of the counter hides it in each."""
# Of a random walk of 12 and 48 times, beside that: tests/finders/hidden_walks.py found
# as much for the mean of one run. White FM is not wider by it. Our rule: rounded.
_HIDDEN: Final = 3.0
# Our rule, so that no course of tests/analysis/response_campaign.py is over 5 %: a walk
# weighs more than for the mean (0.135), with which white FM + 2 random-walk FM answered
# falsely in 5.4 % of 9,000 runs. 0.15 to 0.2 were tried; each 0.03 costs 2 of 100 real
# steps.
_BETWEEN: Final = (1.0, 0.125, 0.06, 0.16)
_LADDER: Final = Ladder(
    phase_rung=PHASE_RUNG, rungs=_BETWEEN, hidden_from_octaves=_HIDDEN
)


def apart(
    stretches: Sequence[Array], first: Window, second: Window
) -> tuple[float, float]:
    """Return u of the difference of two means by noise alone, and its freedom.

    Parameters
    ----------
    stretches : sequence of arrays
        Evenly spaced values whose noise is that of the run, each of at least 2.
    first, second : (begin, end)
        When the two means begin and end, in units of the spacing.

    """
    evidence = even_evidence(stretches)
    if evidence is None:
        return 0.0, np.inf
    # Octaves of all stretches, not the motions of one: the weight is settled for them.
    evidence = replace(evidence, motions=None)
    gained = gains(evidence.length, first, second)
    spread = spread_of(evidence, gained, ladder=_LADDER)
    return float(spread.u[0]), float(spread.freedom[0])


def gains(length: float, first: Window, second: Window) -> Array:
    """Return the variance of a difference of means over the Allan variance at `length`.

    Returns one for each of white PM, white FM, flicker FM and random-walk FM.
    """
    adjoining = _variances((0.0, length), (length, 2.0 * length))
    return np.asarray(2.0 * _variances(first, second) / adjoining)


def _variances(first: Window, second: Window) -> Array:
    """Return sum w_i w_j K(t_i - t_j) of the four noises, each up to a factor."""
    t = np.array([*first, *second])
    one, other = first[1] - first[0], second[1] - second[0]
    w = np.array([1.0 / one, -1.0 / one, -1.0 / other, 1.0 / other])
    lag = np.abs(t[:, None] - t)
    flicker = lag**2 * np.log(np.where(lag > 0.0, lag, 1.0))
    covariances = (np.where(lag == 0.0, 1.0, 0.0), -lag, flicker, lag**3)
    return np.array([float(w @ one_k @ w) for one_k in covariances])
