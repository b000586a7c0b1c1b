"""The uncertainty budget: lines, their combination, and the coverage factor.

Source: JCGM 100:2008 (GUM), 4.3.7 (rectangular), F.2.2.1 (resolution), G.4.1
(Welch-Satterthwaite) and G.6.4 (coverage factor from effective freedom).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from scipy.special import stdtrit

from benchlog.model import Timebase
from benchlog.units import as_stated, three_digits

PROBABILITY: Final = 0.95  # common practice (JCGM 100:2008, G.6)
MANY: Final = 60.0  # our rule, of the quantile
"""Effective degrees of freedom from which k = 2 is taken (the quantile is 2.0003)."""

UNLIMITED: Final = 1e4  # our rule, of the quantile
"""Degrees of freedom from which nobody tells them from unlimited ones."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One contribution: a standard uncertainty in ppm and where it comes from."""

    name: str
    u_ppm: float
    degrees_of_freedom: float = math.inf
    distribution: str = "normal"
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Lines and what they make together.

    `u_ppm` is the combined standard uncertainty, `expanded_ppm` = `k` `u_ppm` holds
    with 95 %.
    """

    lines: tuple[BudgetLine, ...]
    u_ppm: float
    degrees_of_freedom: float
    k: float
    expanded_ppm: float


def budget_of(lines: Iterable[BudgetLine]) -> Budget:
    """Combine lines, taken as independent, in root sum of squares."""
    kept = tuple(lines)
    u = math.hypot(*(line.u_ppm for line in kept)) if kept else 0.0
    freedom = effective_freedom(kept, u)
    k = coverage_factor(freedom)
    return Budget(
        lines=kept, u_ppm=u, degrees_of_freedom=freedom, k=k, expanded_ppm=k * u
    )


def effective_freedom(lines: Iterable[BudgetLine], u_ppm: float) -> float:
    """Welch-Satterthwaite: nu_eff = u_c^4 / sum(u_i^4 / nu_i).

    From `UNLIMITED` on they count as unlimited: such a figure only says that the lines
    with few are too small to matter.
    """
    if u_ppm <= 0:
        return math.inf
    spread = sum((line.u_ppm / u_ppm) ** 4 / line.degrees_of_freedom for line in lines)
    return 1.0 / spread if spread > 1.0 / UNLIMITED else math.inf


def coverage_factor(degrees_of_freedom: float) -> float:
    """Return k for 95 %: the t-quantile, 2 when the degrees of freedom are many.

    Effective degrees of freedom are not rounded down to a whole number.
    """
    if degrees_of_freedom >= MANY:
        return 2.0
    return float(stdtrit(degrees_of_freedom, 0.5 + PROBABILITY / 2.0))


def contradiction_line(timebase: Timebase) -> BudgetLine | None:
    """Return what a check that contradicts the one in use adds; None without one.

    The time base may be where either of them has it: their difference is the half
    width, rectangular.
    """
    if not timebase.apart_ppm:
        return None
    return BudgetLine(
        name="contradicted check",
        u_ppm=timebase.apart_ppm / math.sqrt(3.0),
        distribution="rectangular",
        text=f"another check lies {three_digits(timebase.apart_ppm)} ppm from it",
    )


def resolution_line(
    resolution_hz: float | None, nominal_hz: float, divider: float
) -> BudgetLine:
    """Return the counter's last digit d as d/sqrt(12) (GUM F.2.2.1), in ppm."""
    if resolution_hz is None:
        text = "resolution not known: nothing counted"
        return BudgetLine(
            name="resolution",
            u_ppm=0.0,
            degrees_of_freedom=math.inf,
            distribution="rectangular",
            text=text,
        )
    step_ppm = resolution_hz * divider / nominal_hz * 1e6
    text = f"last digit {as_stated(resolution_hz)} Hz at the counter"
    u = step_ppm / math.sqrt(12.0)
    return BudgetLine(
        name="resolution",
        u_ppm=u,
        degrees_of_freedom=math.inf,
        distribution="rectangular",
        text=text,
    )
