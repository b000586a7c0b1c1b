"""What a load capacitance does to a crystal: pulling, exactly and to first order.

A crystal with motional capacitance C1 and shunt capacitance C0, driven through a load
capacitance CL, oscillates above its series resonance f_s at

    f_L = f_s sqrt(1 + C1 / (C0 + CL))  ~  f_s [1 + C1 / (2 (C0 + CL))].

More capacitance is a lower frequency: the sensitivity is negative, whatever sign some
texts print. Source: the equivalent circuit of a crystal unit (IEC 60122-1); formulas as
given in makers' application notes. C0 and CL in pF, C1 in fF throughout.

Raises ValueError where a capacitance is not above zero.
"""

import math
from typing import Final

from benchlog.errors import DataError
from benchlog.units import as_stated, signed_digits

FF_PER_PF: Final = 1000.0  # definition


def pull_ppm(c1_ff: float, c0_pf: float, load_pf: float) -> float:
    """Return how far f_L lies above f_s, in ppm of f_s, exactly."""
    return 1e6 * math.expm1(0.5 * math.log1p(_share(c1_ff, c0_pf, load_pf)))


def pull_first_order_ppm(c1_ff: float, c0_pf: float, load_pf: float) -> float:
    """Return how far f_L lies above f_s, in ppm of f_s, to first order in C1."""
    return 1e6 * 0.5 * _share(c1_ff, c0_pf, load_pf)


def sensitivity_ppm_per_pf(c1_ff: float, c0_pf: float, load_pf: float) -> float:
    """Return S = -C1 / (2 (C0 + CL)^2) in ppm/pF, the first-order slope at this load.

    Also what a probe of 1 pF across the crystal does to it.
    """
    return -pull_first_order_ppm(c1_ff, c0_pf, load_pf) / (c0_pf + load_pf)


def load_effect_ppm(
    c1_ff: float, c0_pf: float, load_pf: float, actual_pf: float
) -> float:
    """Return the offset in ppm, relative to `load_pf`, when the load is `actual_pf`."""
    wanted = _share(c1_ff, c0_pf, load_pf)
    found = _share(c1_ff, c0_pf, actual_pf)
    return 1e6 * math.expm1(0.5 * (math.log1p(found) - math.log1p(wanted)))


def load_effect_first_order_ppm(
    c1_ff: float, c0_pf: float, load_pf: float, actual_pf: float
) -> float:
    """Return (C1/2) [1/(C0 + actual) - 1/(C0 + CL)] in ppm."""
    wanted = _share(c1_ff, c0_pf, load_pf)
    return 1e6 * 0.5 * (_share(c1_ff, c0_pf, actual_pf) - wanted)


def load_explaining_pf(
    c1_ff: float, c0_pf: float, load_pf: float, offset_ppm: float
) -> float:
    """Return the load in pF that would give this offset from the value at `load_pf`.

    The exact inverse of `load_effect_ppm`. Raises DataError when no capacitance above
    zero can: the offset lies below f_s or above what CL = 0 gives.
    """
    ratio = 1e-6 * offset_ppm
    # (1 + y)^2 (1 + share) - 1, without losing the small difference
    share = _share(c1_ff, c0_pf, load_pf)
    square = ratio * (2.0 + ratio)
    needed = square + share + square * share
    highest = c1_ff / FF_PER_PF / c0_pf
    if not 0.0 < needed < highest:
        raise DataError(
            f"no load capacitance makes {signed_digits(offset_ppm)} ppm of a crystal "
            "with "
            f"C0 = {as_stated(c0_pf)} pF and C1 = {as_stated(c1_ff)} fF: look for "
            "another cause"
        )
    return c1_ff / FF_PER_PF / needed - c0_pf


def load_explaining_first_order_pf(
    c1_ff: float, c0_pf: float, load_pf: float, offset_ppm: float
) -> float:
    """Return `load_pf` + offset / S in pF: along the slope at the wanted load."""
    return load_pf + offset_ppm / sensitivity_ppm_per_pf(c1_ff, c0_pf, load_pf)


def series_load_pf(first_pf: float, second_pf: float, stray_pf: float = 0.0) -> float:
    """Return CL = Ca Cb / (Ca + Cb) + stray, what two capacitors to ground make."""
    _above_zero(first_pf, second_pf)
    return first_pf * second_pf / (first_pf + second_pf) + stray_pf


def shunt_c0_pf(series_hz: float, parallel_hz: float, c1_ff: float) -> float:
    """Return C0 = C1 / ((f_p/f_s)^2 - 1) in pF from both resonances, exactly."""
    _above_zero(series_hz, c1_ff, parallel_hz - series_hz)
    apart = (parallel_hz - series_hz) * (parallel_hz + series_hz) / series_hz**2
    return c1_ff / FF_PER_PF / apart


def motional_l1_h(series_hz: float, c1_ff: float) -> float:
    """Return L1 = 1 / ((2 pi f_s)^2 C1) in henry."""
    _above_zero(series_hz, c1_ff)
    return 1.0 / ((2.0 * math.pi * series_hz) ** 2 * c1_ff * 1e-15)


def _share(c1_ff: float, c0_pf: float, load_pf: float) -> float:
    """Return C1 / (C0 + CL)."""
    _above_zero(c1_ff, c0_pf, load_pf)
    return c1_ff / FF_PER_PF / (c0_pf + load_pf)


def _above_zero(*values: float) -> None:
    if not all(0.0 < value < math.inf for value in values):
        raise ValueError("capacitances and frequencies must be finite and above zero")
