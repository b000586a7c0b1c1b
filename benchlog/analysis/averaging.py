"""Which averaging times a request means, and about how long they take."""

import math
from typing import Final

from benchlog.analysis.deviations import SLOW, Request
from benchlog.analysis.series import Series
from benchlog.errors import DataError

_PASS_S: Final = 4e-9  # a value in a pass, on a usual computer
_CELL_S: Final = 1e-8  # a value in a stretch of the modified totals


def factors_of(points: int, tau0_s: float, request: Request) -> list[int]:
    """Return the averaging factors that a request means for so many phases."""
    top = max(1, (points - 1) // 2)
    if request.taus_s:
        return sorted({_factor(tau_s, tau0_s) for tau_s in request.taus_s})
    if request.spacing == "every":
        return list(range(1, top + 1))
    if request.spacing == "octave":
        return [1 << k for k in range(top.bit_length())]
    steps = (k * 10**power for power in range(len(str(top))) for k in (1, 2, 5))
    return [m for m in steps if m <= top]


def expected_s(series: Series, kind: str, request: Request) -> float:
    """Return about how long a deviation takes; the modified totals grow with m."""
    n = len(series)
    factors = factors_of(n + 1, series.tau0_s, request)
    if kind not in SLOW:
        return _PASS_S * n * len(factors)
    return _CELL_S * sum(9 * m * max(0, n - 3 * m) for m in factors)


def _factor(tau_s: float, tau0_s: float) -> int:
    if not (tau_s > 0 and math.isfinite(tau_s)):
        raise DataError(f"averaging time {tau_s!r} s: give one above zero")
    return max(1, round(tau_s / tau0_s))
