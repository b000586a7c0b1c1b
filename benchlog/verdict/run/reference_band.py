"""Readings judged at the temperature at which a data sheet states its tolerance.

Readings within the reference band are judged as they are. Any other is brought to the
reference temperature by a law; what is not known of the law is a line of the budget.
Without a law only readings inside the band tell anything.
"""

import copy
import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fitting.thermometer import thermometer
from benchlog.analysis.outliers import WithAndWithout, WithoutOutliers
from benchlog.analysis.own_slope import OwnSlope, Slope
from benchlog.analysis.running import Running
from benchlog.analysis.settling import left_out
from benchlog.analysis.stats import RunStats
from benchlog.model import Columns, Flag, Limits, Part
from benchlog.units import format_ppm, format_u_ppm, three_digits
from benchlog.verdict.run.budget import COVERAGE, Budget, BudgetLine, budget_of
from benchlog.verdict.run.part_law import PartLaw, moved_ppm, part_law

Mask = NDArray[np.bool_]
_ROOT_3: Final = math.sqrt(3.0)  # source: JCGM 100:2008, 4.3.7, rectangular
_SETTLING: Final = int(Flag.SETTLING)  # definition: an enum's bit is slow to mask with


@dataclass(frozen=True, slots=True, kw_only=True)
class AtReference:
    """The offset at the reference temperature, where readings lie outside its band.

    Parameters
    ----------
    temperature_c, band_c : float
        The reference temperature, and how far from it readings count as they are.
    n, n_outside : int
        Readings that count for this; readings outside the band.
    offset_ppm, u_ppm : float | None
        Corrected for the time base; expanded (95 %). None while it is not known.
    budget : Budget | None
        Where U comes from, the temperature law included.
    moved_ppm : float
        By how much all readings together were brought.
    law : str
        By which law; empty where readings outside were left out.

    """

    temperature_c: float
    band_c: float
    n: int
    n_outside: int
    offset_ppm: float | None
    u_ppm: float | None
    budget: Budget | None
    moved_ppm: float
    law: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Brought:
    """Figures of the readings that count at the reference temperature.

    `away_c` is the mean over all that count of T - T_ref where a reading was brought,
    0 where it was not. `law` None: none is known, readings outside were left out.
    """

    stats: RunStats
    without_outliers: tuple[int, RunStats] | None
    n_outside: int
    away_c: float
    law: PartLaw | None
    own: Slope | None

    @property
    def by_own(self) -> Slope | None:
        """The run's own slope beside the law, where it is known the better."""
        law, own = self.law, self.own
        if law is None or own is None or own.u95_ppm_per_c > law.slope_ppm_per_c:
            return None
        return own

    @property
    def own_shift_ppm(self) -> float:
        """What the run's own slope brings besides."""
        return 0.0 if self.by_own is None else -self.by_own.ppm_per_c * self.away_c

    @property
    def line(self) -> BudgetLine | None:
        """What is not known of the law; None where nothing was brought."""
        if self.law is None:
            return None
        own, away_c = self.by_own, self.away_c
        if own is None:
            return law_line(self.law, away_c)
        slope, u = own.ppm_per_c, own.u95_ppm_per_c
        return BudgetLine(
            name="temperature law",
            u_ppm=u * abs(away_c) / COVERAGE,
            text=(
                f"{self.law.law.law} with the run's own slope beside it, "
                f"{format_ppm(slope, u)} +- {format_u_ppm(u)} ppm/C {_over(away_c)}"
            ),
        )

    def lines(self, reference_c: float, u_c: float | None) -> tuple[BudgetLine, ...]:
        """Return what is not known of the law, and of the temperature it is used at."""
        if self.law is None or self.line is None:
            return ()
        n = self.stats.n
        share = min(1.0, self.n_outside / n) if n else 0.0
        at_c = reference_c + (self.away_c / share if share else 0.0)
        own = 0.0 if self.by_own is None else self.by_own.ppm_per_c
        return thermometer_line(self.law, at_c, u_c, share=share, own=own), self.line


class BandWatch:
    """Notices readings outside the reference band and keeps figures for the reference.

    While all lie inside, or their ambient is not known, it only looks, and learns the
    run's own slope: the figures are those of the readings as they are. How they are
    chunked does not matter. Memory does not grow with the run.
    """

    def __init__(self, part: Part, divider: float) -> None:
        self._limits, self._law = part.limits, part_law(part)
        self._nominal_hz, self._per_ppm = part.nominal_hz, part.nominal_hz * 1e-6
        self._divider = divider
        self._running: Running | None = None
        self._rest: WithoutOutliers | None = None
        self._own = OwnSlope()
        self._n_outside = 0
        self._sum_away_c = 0.0
        self._after_one = False

    def feed(self, columns: Columns, figures: WithAndWithout) -> None:
        """Take in readings; `figures` have been fed with all before them."""
        outside = is_outside(columns, self._limits)
        if self._running is None or self._rest is None:
            if not outside.any():
                if self._law is not None:
                    self._moved(self._law, columns)
                return
            self._running, self._rest = copy.deepcopy(figures.apart())
        self._n_outside += int(np.count_nonzero(outside))
        columns = self._counting(columns, outside)
        self._running.feed(columns)
        self._rest.feed(columns)

    def brought(self) -> Brought | None:
        """Return the figures at the reference; None while no reading lies outside."""
        if self._running is None or self._rest is None:
            return None
        stats = self._running.stats()
        return Brought(
            stats=stats,
            without_outliers=self._rest.found(),
            n_outside=self._n_outside,
            away_c=self._sum_away_c / max(stats.n, 1),
            law=self._law,
            own=self._own.slope(),
        )

    def _counting(self, columns: Columns, outside: Mask) -> Columns:
        """Return readings as they count: brought to the reference, or left out.

        Beyond the range of its data sheet a device follows no law that is known.
        """
        out = outside if self._law is None else is_beyond(columns, self._limits)
        after_one, self._after_one = self._after_one, bool(out[-1:].any())
        columns, outside = left_out(columns, out, after_one), outside[~out]
        if self._law is None or not len(columns):
            return columns
        moved = self._moved(self._law, columns)
        away_c = columns.ambient_c[outside] - self._limits.reference_c
        self._sum_away_c += float(np.sum(away_c))
        shift_hz = np.where(outside, -moved, 0.0) * self._per_ppm / self._divider
        return replace(columns, frequency_hz=columns.frequency_hz + shift_hz)

    def _moved(self, law: PartLaw, columns: Columns) -> NDArray[np.float64]:
        """Return how far the law moves each reading, ppm; learn the slope beside it."""
        ambient_c = columns.ambient_c
        moved = moved_ppm(law.law, ambient_c, self._limits.reference_c)
        hz = columns.frequency_hz * self._divider
        beside = (hz - self._nominal_hz) / self._per_ppm - moved
        settled = (columns.flags & _SETTLING) == 0
        self._own.feed(ambient_c[settled], beside[settled])
        return moved


def is_outside(columns: Columns, limits: Limits) -> Mask:
    """Mark readings outside the reference band; one without ambient is inside."""
    outside = np.abs(columns.ambient_c - limits.reference_c) > limits.reference_band_c
    if outside.any():
        outside &= (columns.flags & _SETTLING) == 0
    return np.asarray(outside)


def is_beyond(columns: Columns, limits: Limits) -> Mask:
    """Mark readings outside the range over which the data sheet promises anything."""
    if limits.range_c is None:
        return np.zeros(len(columns), dtype=np.bool_)
    low, high = limits.range_c
    return np.asarray((columns.ambient_c < low) | (columns.ambient_c > high))


def law_line(law: PartLaw, away_c: float) -> BudgetLine:
    """Return what is not known of a law, `away_c` from the reference on average.

    Half width slope times distance, rectangular (JCGM 100:2008, 4.3.7).
    """
    slope = law.slope_ppm_per_c
    return BudgetLine(
        name="temperature law",
        u_ppm=slope * abs(away_c) / _ROOT_3,
        distribution="rectangular",
        text=f"{law.text}, +-{three_digits(slope)} ppm/C {_over(away_c)}",
    )


def thermometer_line(
    law: PartLaw,
    at_c: float,
    stated_u_c: float | None,
    *,
    share: float = 1.0,
    own: float = 0.0,
) -> BudgetLine:
    """Return what the thermometer's own error moves a figure by that a law brought.

    The slope of the law at the mean temperature of the readings that were brought,
    which are `share` of all, times u of the thermometer; `own` (ppm/C) is the run's own
    slope beside the law.
    """
    u_c, said = thermometer(stated_u_c)
    ends = np.array((at_c - 0.5, at_c + 0.5))
    slope = float(np.diff(moved_ppm(law.law, ends, at_c))[0]) + own
    return BudgetLine(
        name="thermometer",
        u_ppm=share * abs(slope) * u_c,
        text=f"{said.split(':')[0]}, at {three_digits(slope)} ppm/C",
    )


def _over(away_c: float) -> str:
    away_c = round(away_c, 1) + 0.0  # never -0.0
    return f"at a mean distance of {away_c:+.1f} C"


def whole_at_reference(
    part: Part,
    ambient_c: NDArray[np.float64],
    n: int,
    offset_ppm: float | None,
    budget: Budget | None,
    *,
    thermometer_u_c: float | None = None,
) -> AtReference | None:
    """Bring one offset of a whole run to the reference, by the ambient that was logged.

    None where all of it lay within the band, or none was logged. Without a law, and
    beyond the range of the data sheet, nothing is known there.
    """
    limits = part.limits
    away = ambient_c - limits.reference_c
    outside = np.abs(away) > limits.reference_band_c
    if not outside.any():
        return None
    law, range_c = part_law(part), limits.range_c
    if range_c is not None and (
        ambient_c.min() < range_c[0] or ambient_c.max() > range_c[1]
    ):
        law = None
    found = AtReference(
        temperature_c=limits.reference_c,
        band_c=limits.reference_band_c,
        n=n if law else 0,
        n_outside=int(outside.sum()),
        offset_ppm=None,
        u_ppm=None,
        budget=None,
        moved_ppm=0.0,
        law="",
    )
    if law is None or offset_ppm is None or budget is None:
        return found
    moved = moved_ppm(law.law, ambient_c, limits.reference_c)
    shift = -float(np.mean(np.where(outside, moved, 0.0)))
    line = law_line(law, float(np.mean(np.where(outside, away, 0.0))))
    share, at_c = float(outside.mean()), float(ambient_c[outside].mean())
    own = thermometer_line(law, at_c, thermometer_u_c, share=share)
    whole = budget_of([*budget.lines, own, line])
    return replace(
        found,
        offset_ppm=offset_ppm + shift,
        u_ppm=whole.expanded_ppm,
        budget=whole,
        moved_ppm=shift,
        law=line.text,
    )
