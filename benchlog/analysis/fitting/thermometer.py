"""What the thermometer itself is uncertain by, as a part of a temperature law.

A thermometer that reads e too high, and (1 + g) times the distance from the reference
temperature, shifts the law and stretches it: with T = read - e - g (read - reference)
the coefficient c_k of the reading is off by -(k + 1) c_(k+1) e and by -k c_k g. Both
errors are the same all along a run, so that no scatter shows them.
"""

from dataclasses import replace
from typing import Final

import numpy as np

from benchlog.analysis.fitting.regression import LinearFit
from benchlog.units import as_stated

ASSUMED_U_C: Final = 0.5  # our rule: what a plain sensor beside the device is good for
"""Standard uncertainty of a thermometer of which none is stated, C."""
GAIN_PER_C: Final = 1 / 25
"""Its error has changed by as much again 25 C away: u of the gain over u at the
reference temperature, 1/C; our rule."""


def thermometer(stated_u_c: float | None) -> tuple[float, str]:
    """Return the standard uncertainty of a thermometer in C, and say where it is from.

    `stated_u_c` is what the bench file states, None where it states nothing.
    """
    if stated_u_c is not None:
        said = f"thermometer u {as_stated(stated_u_c)} C, stated in the bench file"
        return stated_u_c, f"{said}: in every interval"
    said = f"thermometer u {as_stated(ASSUMED_U_C)} C assumed: in every interval"
    return ASSUMED_U_C, f"{said}; state u_c of yours in the bench file"


def by_thermometer(fit: LinearFit, degree: int, u_c: float) -> LinearFit:
    """Return the fit of a law with what the thermometer is uncertain by.

    The coefficients of `fit` begin with f0 and c_1 to c_`degree`.
    """
    c = fit.coefficients
    by_offset, by_gain = np.zeros(len(c)), np.zeros(len(c))
    for k in range(1, degree + 1):
        by_offset[k - 1] = k * c[k]
        by_gain[k] = k * c[k]
    by_gain *= GAIN_PER_C
    more = np.outer(by_offset, by_offset) + np.outer(by_gain, by_gain)
    return replace(fit, covariance=fit.covariance + u_c**2 * more)
