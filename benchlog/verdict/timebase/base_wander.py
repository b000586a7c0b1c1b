"""How a time base wanders and ages, by its own reference checks.

Between two checks a time base moves by its ageing (a slope), by a random walk, whose
variance grows with the days between, and by what it does afresh every time (the room,
being switched off and on). Nobody states how large these are. A ladder of sizes is
weighed by how well each predicts every check from those before it: a Kalman filter of
level and slope for each rung (Harvey, Forecasting, Structural Time Series Models and
the Kalman Filter, 1989, 3.2; from memory). Few checks leave many sizes likely, so what
is allowed between two of them is then wide.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import normal_below
from benchlog.model import InstrumentSpec, ReferenceCheck
from benchlog.units import NS_PER_S, SECONDS_PER_DAY
from benchlog.verdict.run.budget import COVERAGE
from benchlog.verdict.timebase.known_timebase import USUAL_AGEING_PPM_PER_YEAR

Array = NDArray[np.float64]

FALSE_ALARMS: Final = 0.01  # our rule
"""Share of quiet time bases of which any two checks are ever said to contradict."""
FEWEST: Final = 2  # our rule: one difference
"""Checks before their wander is a part of the uncertainty of what is corrected."""
_YEAR_DAYS: Final = 365.25  # definition: the Julian year
_DAY_NS: Final = SECONDS_PER_DAY * NS_PER_S
_ROOT_3: Final = math.sqrt(3.0)  # source: JCGM 100:2008, 4.3.7, rectangular
# Sizes of the wander, in units of what is expected of such a base, and how likely each
# is before any check: our rule. About one in a hundred is ten times worse than its
# maker's word, none is beyond a hundred times.
_SIZES: Final = np.array([0.0, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 100.0])
# our rule: see `_SIZES`
_LIKELY: Final = np.array([0.2, 0.1, 0.15, 0.2, 0.2, 0.1, 0.04, 0.01, 3e-4, 1e-5])
_AFRESH: Final = np.array([0.0, 0.5, 1.0])  # our rule: share that is no walk, a day on
_JUMPS: Final = 0.05  # our rule: one check in twenty finds a base that somebody moved


@dataclass(slots=True, kw_only=True)
class BaseWander:
    """What is known of the wander of one time base; rungs are arrays of one shape.

    `walk` in ppm^2 a day and `afresh` in ppm^2 are of each rung; `weights` sum to 1;
    `level` (ppm), `slope` (ppm a day) and their variances are of the state after the
    newest check; `jump_ppm` is how far a base goes that somebody moved.
    """

    walk: Array
    afresh: Array
    weights: Array
    jump_ppm: float
    slope: Array
    slope_variance: Array
    level: Array
    level_variance: Array
    together: Array
    checks: int = 0
    newest_utc_ns: int = 0

    @property
    def error_rate(self) -> float:
        """Return at which rate the next check may contradict one before it falsely.

        1 / (n (n + 1)) of the whole after n checks: these sum to one. Two checks before
        it are asked, the one that rules and the finest.
        """
        n = max(1, self.checks)
        return FALSE_ALARMS / (n * (n + 1)) / 2.0

    def learn(self, check: ReferenceCheck, *, moved: bool) -> None:
        """Take the next check, in the order of time; `moved` if it contradicts."""
        own = self.afresh + check.u_ppm**2
        if self.checks:
            self._go_on(check.at_utc_ns)
            self._weigh(check.offset_ppm - self.level, own)
        if moved or not self.checks:
            self.level = np.full_like(own, check.offset_ppm)
            self.level_variance = own
            self.together = np.zeros_like(own)
        else:
            self._correct(check.offset_ppm - self.level, own)
        self.checks += 1
        self.newest_utc_ns = check.at_utc_ns

    def drift_ppm(self, days: float) -> float:
        """Return how far the slope of its checks leads in a time."""
        return float(self.weights @ self.slope) * days

    def agree(
        self, older: ReferenceCheck, newer: ReferenceCheck, error_rate: float
    ) -> bool:
        """Whether two checks differ by no more than they may, at a rate of errors."""
        days = days_between(older, newer)
        apart = newer.offset_ppm - older.offset_ppm - self.drift_ppm(days)
        sigma = self._sigma(older, newer)
        return self._beyond(abs(apart), sigma) >= error_rate

    def allowed_ppm(
        self, older: ReferenceCheck, newer: ReferenceCheck, error_rate: float
    ) -> float:
        """Return how far two checks may lie apart, at a rate of errors."""
        return self._half_width(self._sigma(older, newer), error_rate)

    def u_ppm(self, days: float) -> float:
        """Return the standard uncertainty that wander adds over a time.

        U (95 %) of the rungs together, over 1.96; 0 with fewer checks than `FEWEST`.
        """
        if self.checks < FEWEST:
            return 0.0
        sigma = np.sqrt(2.0 * self.afresh + self.walk * abs(days))
        if not sigma.any():
            return 0.0
        return self._half_width(sigma, 0.05) / COVERAGE

    def _go_on(self, utc_ns: int) -> None:
        days = (utc_ns - self.newest_utc_ns) / _DAY_NS
        self.level = self.level + self.slope * days
        grown = 2.0 * self.together * days + self.slope_variance * days**2
        self.level_variance = self.level_variance + grown + self.walk * days
        self.together = self.together + self.slope_variance * days

    def _weigh(self, apart: Array, own: Array) -> None:
        expected = self.level_variance + own
        usual = _density(apart, expected)
        jumped = _density(apart, expected + self.jump_ppm**2)
        weights = self.weights * ((1.0 - _JUMPS) * usual + _JUMPS * jumped)
        total = float(weights.sum())
        if total > 0:
            self.weights = weights / total

    def _correct(self, apart: Array, own: Array) -> None:
        expected = self.level_variance + own
        by_level = self.level_variance / expected
        by_slope = self.together / expected
        self.level = self.level + by_level * apart
        self.slope = self.slope + by_slope * apart
        self.slope_variance = self.slope_variance - by_slope * self.together
        self.together = self.together * (1.0 - by_level)
        self.level_variance = self.level_variance * (1.0 - by_level)

    def _sigma(self, older: ReferenceCheck, newer: ReferenceCheck) -> Array:
        """Return the standard deviation of a difference, of each rung."""
        days = days_between(older, newer)
        slope = self.slope_variance + (self.slope - self.weights @ self.slope) ** 2
        moved = 2.0 * self.afresh + self.walk * abs(days) + slope * days**2
        return np.asarray(np.sqrt(older.u_ppm**2 + newer.u_ppm**2 + moved))

    def _beyond(self, apart_ppm: float, sigma: Array) -> float:
        """Return how often a difference is larger than this where nothing moved."""
        at = np.divide(
            apart_ppm,
            sigma,
            out=np.full_like(sigma, math.inf if apart_ppm else 0.0),
            where=sigma > 0,
        )
        return 2.0 * float(self.weights @ normal_below(-at))

    def _half_width(self, sigma: Array, error_rate: float) -> float:
        low, high = 0.0, 8.0 * float(sigma.max())
        for _ in range(50):
            middle = 0.5 * (low + high)
            if self._beyond(middle, sigma) > error_rate:
                low = middle
            else:
                high = middle
        return high


def expected_wander(spec: InstrumentSpec | None) -> BaseWander:
    """Return what is expected of a time base before any check.

    A walk that uses up what its maker promises in a year, with 95 %; where nothing is
    stated, one that goes as far in a day as the usual ageing leads. The slope is the
    ageing that is stated, else the usual one; rectangular.
    """
    stated = abs(spec.timebase_ppm or 0.0) if spec is not None else 0.0
    ageing = spec.timebase_ageing_ppm_per_year if spec is not None else None
    a_day = USUAL_AGEING_PPM_PER_YEAR / _YEAR_DAYS
    if stated:
        a_day = stated / (2.0 * math.sqrt(_YEAR_DAYS))
    if ageing is None:
        ageing = USUAL_AGEING_PPM_PER_YEAR
    sizes, afresh = (one.ravel() for one in np.meshgrid(_SIZES, _AFRESH))
    variance = (sizes * a_day) ** 2
    weights = np.tile(_LIKELY / _LIKELY.sum() / len(_AFRESH), len(_AFRESH))
    none = np.zeros_like(variance)
    return BaseWander(
        walk=variance * (1.0 - afresh),
        afresh=variance * afresh / 2.0,
        weights=weights,
        jump_ppm=stated or 1.0,
        slope=none,
        slope_variance=none + (abs(ageing) / _YEAR_DAYS / _ROOT_3) ** 2,
        level=none,
        level_variance=none,
        together=none,
    )


def days_between(older: ReferenceCheck, newer: ReferenceCheck) -> float:
    """Return the days from one check to another."""
    return (newer.at_utc_ns - older.at_utc_ns) / _DAY_NS


def _density(apart: Array, variance: Array) -> Array:
    """Return the density of a normal distribution; none has a width of 0."""
    floor = np.maximum(variance, 1e-24)
    return np.asarray(np.exp(-0.5 * apart**2 / floor) / np.sqrt(2.0 * math.pi * floor))
