"""The uncertainty budget: lines, and the distribution that they make together.

One convention of coverage holds everywhere: U is half the interval that has 95 %, and
k = U / u follows from it. The lines are convolved (JCGM 101:2008, by quadrature:
`analysis/convolution.py`); a rectangular line alone has U = 0.95 a, few degrees of
freedom of one line are not averaged away by others that have many.

Source: JCGM 100:2008 (GUM), 4.3.7 (rectangular), F.2.2.1 (resolution), G.4.1 (effective
degrees of freedom, which are told and not used); JCGM 101:2008, 6.4.2 (rectangular),
6.4.7 (normal), 6.4.9 (t: scaled by u, of the line's degrees of freedom).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from benchlog.analysis.convolution import (
    ROOT_3,
    Sum,
    between,
    half_interval,
    quantile_above,
    sum_of,
)
from benchlog.model import Timebase
from benchlog.units import format_duration, three_digits

PROBABILITY: Final = 0.95  # common practice (JCGM 100:2008, G.6)
COVERAGE: Final = 1.959964  # definition: of a normal distribution, JCGM 100:2008, G.1
"""k for 95 % where only a standard uncertainty is known, taken as normal."""

DRIFT: Final = "drift"
"""Name of the line of a drift."""
ROOM: Final = "room"
"""Name of the line of a room that moved in the run."""
_AGAIN: Final = 2.0
"""How often a room may move again what it moved in the run until the stretch that
follows; our rule, held by the table of swings in tests/verdict/ROOM.md."""
UNLIMITED: Final = 1e4  # our rule, of the quantile
"""Degrees of freedom from which nobody tells them from unlimited ones."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One contribution: a standard uncertainty in ppm and where it comes from.

    `distribution` is "rectangular", "normal" or "t"; one with a finite number of
    degrees of freedom counts as t whatever it is called.
    """

    name: str
    u_ppm: float
    degrees_of_freedom: float = math.inf
    distribution: str = "normal"
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Lines and what they make together.

    `u_ppm` is the combined standard uncertainty, `degrees_of_freedom` the effective
    ones by Welch and Satterthwaite. `expanded_ppm` = `k` `u_ppm` holds with 95 %, by
    the convolution of the lines, `convolved`.
    """

    lines: tuple[BudgetLine, ...]
    u_ppm: float
    degrees_of_freedom: float
    k: float
    expanded_ppm: float
    convolved: Sum = field(default=Sum((), 0.0, ()), repr=False, compare=False)

    def guard_ppm(self, rate: float) -> float:
        """Return what the error exceeds, upwards, with probability `rate` (< 1/2)."""
        return 0.0 if self.u_ppm <= 0.0 else quantile_above(self.convolved, rate)

    def probability_between(self, low_ppm: float, high_ppm: float) -> float:
        """Return the probability that the error lies between two bounds."""
        if self.u_ppm <= 0.0:
            return float(low_ppm <= 0.0 <= high_ppm)
        return between(self.convolved, low_ppm, high_ppm)


def budget_of(lines: Iterable[BudgetLine]) -> Budget:
    """Combine lines, taken as independent."""
    kept = tuple(lines)
    u = math.hypot(*(line.u_ppm for line in kept)) if kept else 0.0
    convolved = _sum_of(kept)
    k = half_interval(convolved, PROBABILITY) / u if u > 0.0 else COVERAGE
    return Budget(
        lines=kept,
        u_ppm=u,
        degrees_of_freedom=effective_freedom(kept, u),
        k=k,
        expanded_ppm=k * u,
        convolved=convolved,
    )


def _sum_of(lines: tuple[BudgetLine, ...]) -> Sum:
    rectangular, normal, students = [], [], []
    for line in lines:
        if line.degrees_of_freedom < math.inf:
            students.append((line.u_ppm, line.degrees_of_freedom))
        elif line.distribution == "rectangular":
            rectangular.append(line.u_ppm)
        else:
            normal.append(line.u_ppm)
    return sum_of(rectangular, normal, students)


def effective_freedom(lines: Iterable[BudgetLine], u_ppm: float) -> float:
    """Welch-Satterthwaite: nu_eff = u_c^4 / sum(u_i^4 / nu_i).

    From `UNLIMITED` on they count as unlimited: such a figure only says that the lines
    with few are too small to matter.
    """
    if u_ppm <= 0:
        return math.inf
    spread = sum((line.u_ppm / u_ppm) ** 4 / line.degrees_of_freedom for line in lines)
    return 1.0 / spread if spread > 1.0 / UNLIMITED else math.inf


def mean_half_ppm(sd_ppm: float, n: int, u_common_ppm: float) -> float:
    """Return U of the mean of n devices, which scatter by `sd_ppm` (n - 1 degrees).

    `u_common_ppm` is the expanded uncertainty that all of them share: more devices do
    not make it smaller (JCGM 100:2008, 5.1.2).
    """
    own = BudgetLine(
        name="devices",
        u_ppm=sd_ppm / math.sqrt(n),
        degrees_of_freedom=n - 1,
        distribution="t",
    )
    common = BudgetLine(name="common", u_ppm=u_common_ppm / COVERAGE)
    return budget_of((own, common)).expanded_ppm


def timebase_line(base: Timebase, name: str = "time base") -> BudgetLine:
    """Return what is not known of a time base: stated and assumed ones are bounds."""
    return BudgetLine(
        name=name,
        u_ppm=base.u_ppm,
        degrees_of_freedom=base.degrees_of_freedom,
        distribution="normal" if base.status == "checked" else "rectangular",
        text=base.text,
    )


def drift_line(over_t_ppm: float, span_s: float) -> BudgetLine:
    """Return a drift, slope times T: half width, rectangular.

    The stretch that follows a run of length T has drifted by that on average.
    """
    per_hour = three_digits(over_t_ppm * 3600.0 / span_s)
    return BudgetLine(
        name=DRIFT,
        u_ppm=abs(over_t_ppm) / ROOT_3,
        distribution="rectangular",
        text=f"{per_hour} ppm/h for {format_duration(span_s)}: still moving",
    )


def room_line(over_ppm: float, moved_c: float) -> BudgetLine:
    """Return a room that moved: what the part's law makes of it, twice, rectangular.

    `over_ppm` is how far the law moves the device between the lowest and the highest
    ambient of the run, `moved_c` apart.
    """
    return BudgetLine(
        name=ROOM,
        u_ppm=_AGAIN * over_ppm / ROOT_3,
        distribution="rectangular",
        text=(
            f"ambient moved by {three_digits(moved_c)} C, {three_digits(over_ppm)} ppm "
            "by the part's law: still moving"
        ),
    )


def contradiction_line(timebase: Timebase) -> BudgetLine | None:
    """Return what a check that contradicts the one in use adds; None without one.

    The time base may be where either of them has it: their difference is the half
    width, rectangular.
    """
    if not timebase.apart_ppm:
        return None
    return BudgetLine(
        name="contradicted check",
        u_ppm=timebase.apart_ppm / ROOT_3,
        distribution="rectangular",
        text=f"another check lies {three_digits(timebase.apart_ppm)} ppm from it",
    )
