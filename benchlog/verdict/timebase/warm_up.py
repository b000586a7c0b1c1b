"""Warm-up: whether a time base still drifts while it is checked, and may it."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from benchlog.analysis.pulses.slope import fit_slope
from benchlog.analysis.pulses.trains import TrainComparison
from benchlog.analysis.running import Running
from benchlog.analysis.uncertainty import mean_uncertainty
from benchlog.errors import DataError
from benchlog.model import Columns, InstrumentSpec
from benchlog.units import (
    NS_PER_S,
    as_stated,
)
from benchlog.verdict.run.budget import BudgetLine, budget_of
from benchlog.verdict.timebase.known_timebase import ASSUMED_PPM

_HOUR_S: Final = 3600.0  # definition
_SHARE: Final = 0.1  # our rule: an hour uses up a tenth, see `allowed_drift`
_Half = tuple[float, float, BudgetLine]  # middle in s, offset in ppm, its u


@dataclass(frozen=True, slots=True)
class Allowed:
    """How fast a time base may move in ppm an hour, and by what rule."""

    ppm_per_h: float
    text: str


@dataclass(frozen=True, slots=True)
class WarmUpDrift:
    """How fast the time base still moves, in ppm an hour.

    `u_ppm_per_h` is its expanded uncertainty (95 %), `limit` how fast it may.
    """

    ppm_per_h: float
    u_ppm_per_h: float
    limit: Allowed

    @property
    def allowed(self) -> float:
        """How fast it may move, in ppm an hour."""
        return self.limit.ppm_per_h

    @property
    def too_fast(self) -> bool:
        """Whether it surely moves faster than is allowed."""
        return abs(self.ppm_per_h) - self.u_ppm_per_h > self.allowed

    @property
    def known_well_enough(self) -> bool:
        """Whether a drift of more than is allowed would have been seen."""
        return self.too_fast or self.u_ppm_per_h <= self.allowed

    def told_after_s(self, span_s: float) -> float:
        """Return how long a check must be, not of `span_s`, for it to be seen.

        The drift of white FM is known to T^-3/2, that of white phase even better.
        """
        ratio = self.u_ppm_per_h / self.allowed
        return float(span_s * max(1.0, ratio) ** (2.0 / 3.0))


def allowed_drift(counter: InstrumentSpec) -> Allowed:
    """Return how fast a time base may still move when it is checked.

    In an hour by a tenth of what the bench file asks of it (`timebase_ppm`), or of
    the +-1 ppm that is assumed where it asks nothing, or 0 (our rule). How well the
    check itself is known does not count: a poor check would allow anything.
    """
    stated = abs(counter.timebase_ppm or 0.0)
    whole = stated or ASSUMED_PPM
    said = f"{'stated' if stated else 'assumed'} +-{as_stated(whole)} ppm"
    return Allowed(_SHARE * whole, f"a tenth of the {said}")


def drift_of_readings(
    kept: Columns, nominal_hz: float, allowed: Allowed
) -> WarmUpDrift | None:
    """Compare the later half with the earlier one; None when that is too little."""
    half = len(kept) // 2
    found = []
    for part in (slice(None, half), slice(half, None)):
        columns = Columns(*(getattr(kept, name)[part] for name in Columns.__slots__))
        running = Running(nominal_hz)
        running.feed(columns)
        stats = running.stats()
        mean = mean_uncertainty(stats)
        if mean is None or stats.offset_ppm is None:
            return None
        middle_s = float(np.mean(columns.mono_ns - kept.mono_ns[0])) / NS_PER_S
        u = BudgetLine(
            name="half", u_ppm=mean.u_ppm, degrees_of_freedom=mean.degrees_of_freedom
        )
        found.append((middle_s, -stats.offset_ppm, u))
    return _drift(found, allowed)


def drift_of_pulses(found: TrainComparison, allowed: Allowed) -> WarmUpDrift | None:
    """Compare the later half with the earlier one; None when that is too little."""
    middle = (found.t_s[0] + found.t_s[-1]) / 2
    halves = []
    for part in (found.t_s < middle, found.t_s >= middle):
        try:
            fit = fit_slope(found.t_s[part], found.error_s[part], found.group[part])
        except DataError:
            return None
        when_s = float(np.mean(found.t_s[part]))
        u = BudgetLine(name="half", u_ppm=fit.u * 1e6, degrees_of_freedom=fit.freedom)
        halves.append((when_s, fit.slope * 1e6, u))
    return _drift(halves, allowed)


def _drift(halves: list[_Half], allowed: Allowed) -> WarmUpDrift | None:
    (t1, y1, u1), (t2, y2, u2) = halves
    if t2 <= t1:
        return None
    per_hour = _HOUR_S / (t2 - t1)
    u_ppm = budget_of((u1, u2)).expanded_ppm
    return WarmUpDrift((y2 - y1) * per_hour, u_ppm * per_hour, allowed)
