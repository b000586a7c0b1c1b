"""Fitting a law of the temperature that a device has, which is not the ambient one.

The device lags behind ambient. Two ways to say what is not known of the lag are taken,
and the wider one is kept: all lags weighed by their evidence, and the likeliest with
the lag, and when ambient changed, as further unknowns of the fit.
"""

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import KW_ONLY, dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import chi_squared_above
from benchlog.analysis.fitting.body_means import FINE, BodyMeans, body_means
from benchlog.analysis.fitting.regression import (
    LinearFit,
    Regression,
    block_starts,
    means_between,
)
from benchlog.analysis.fitting.thermal_lag import (
    LAG_SEARCH,
    Lagged,
    LagSearch,
    begun_by,
    lagging,
    stretches,
    weigh_lags,
)
from benchlog.errors import DataError

Array = NDArray[np.float64]


_LAGS: Final = 12  # our rule: neighbours are less than a factor of two apart
# tests/finders/body_law_widening.py. Criterion: 98 % of the intervals of each
# coefficient hold, few wrong signs, over the runs of test_body_law.
_INEXACT: Final = 1.3
"""Ambient is known at readings only, and no body has just one time constant: intervals
are wider by this where there is a lag."""
_LONGER: Final = 6  # our rule: bounds the work; a lag may be 32 times the first guess
_ROUNDS: Final = 3  # of Gauss and Newton; our rule: they start at the likeliest lag
_NUDGE: Final = 1.001  # of a lag, for its derivative; our rule: well above rounding
# times that a lag may change in a round; our rule: no round runs away
_FAR: Final = 1.3
# of its size, that a column must have of its own; our rule: with less it is not told
# from others
_APART: Final = 1e-3
# A second lag, as ratios of the first; our rule: nearer ones are hardly told from it.
_RATIOS: Final = (0.2, 5.0)
_FOLLOWED: Final = (
    3.0  # means in a lag, of a body that jumps; our rule: a curve wants 3
)
_BY_CHANCE: Final = 0.01  # our rule: share of bodies of one lag that are called others
_SECOND: Final = "second"
_LATE: Final = "late"


@dataclass(frozen=True, slots=True)
class LawTerms:
    """What is to be fitted: powers of the distance from a temperature, and a drift."""

    degree: int
    reference_c: float
    with_ageing: bool


@dataclass(frozen=True, slots=True)
class BodyLaw:
    """The fit, the lag (0 for none), the body's temperatures, length of a mean in s.

    `one_lag`: the data do not show that a part of the body follows by another lag;
    `followed`: where ambient jumped, there are means enough to follow the body;
    `one_jump`: all that ambient did was to jump, once.
    """

    fit: LinearFit
    lag_s: float
    body_c: Array
    means_s: float
    _: KW_ONLY
    one_lag: bool
    followed: bool
    one_jump: bool


def fit_body_law(
    t_s: Array,
    ambient_c: Array,
    ppm: Array,
    law: LawTerms,
    *,
    inexact: float = _INEXACT,
    search: LagSearch = LAG_SEARCH,
) -> BodyLaw:
    """Fit ppm = f0 + sum c_k (body - reference)^k + drift.

    Times rise; no value is NaN. The coefficients of the fit are f0, c_1 ..., drift.
    Raises DataError where the quantities cannot be told apart.
    """
    means = body_means((t_s, ambient_c, ppm))
    ways = _weighed(means, law, search)
    lagged, model = ways[-1]
    found, one_lag = lagged.fit, True
    with suppress(DataError):
        one_lag = not any(m.second_seen(one.best, one.lag_s) for one, m in ways)
        free = model.free(lagged.best, lagged.lag_s)
        wider = free.covariance[1, 1] > found.covariance[1, 1]
        if lagged.sure or wider:
            found = free
    if lagged.lag_s:
        found = replace(found, covariance=found.covariance * inexact**2)
    body_c = model.body_c(lagged.lag_s)
    known_c = body_c[model.known]
    followed = lagged.lag_s >= _FOLLOWED * model.means_s or not lagged.lag_s
    return BodyLaw(
        found,
        lagged.lag_s,
        known_c,
        model.means_s,
        one_lag=one_lag,
        followed=followed or not len(means.jumps()),
        one_jump=means.one_jump(),
    )


def _weighed(
    means: BodyMeans, law: LawTerms, search: LagSearch
) -> list[tuple[Lagged, "_Model"]]:
    """Weigh lags, of a body that was at ambient, then of one that nobody knows.

    Without what has not faded of its beginning, as the longest likely lag would have
    it. Where half of the run does not remain, it is taken that it began at ambient.
    The last way counts. A second lag may show in either: most where a body was at
    ambient, and a wrong beginning looks like one.
    """
    found, model = _weighed_from_ambient(means, law, search)
    least_s = means.measured_s / min(len(means.t_s), FINE)
    high_s = max(found.high_s, 2.0 * least_s)
    for _ in range(_LONGER):
        known = means.known(high_s)
        known[: begun_by(means.t_s, means.ambient_c, high_s)] = False
        if 2 * known.sum() < len(known) or known[0]:
            break
        later = _Model(means, law, known)
        lags = np.geomspace(least_s, high_s, _LAGS)
        anew = weigh_lags(later.fit_each, lags, search)
        if anew.high_s < lags[-1]:
            return [(found, model), (anew, later)]
        high_s *= 2.0
    return [(found, model)]


def _weighed_from_ambient(
    means: BodyMeans, law: LawTerms, search: LagSearch
) -> tuple[Lagged, "_Model"]:
    """Weigh lags from a spacing to a quarter of the run.

    Where there are gaps, readings after them are left out first as the longest lag
    would have it that leaves half of them, then as the longest that is still likely.
    """
    measured_s = means.measured_s
    least_s = measured_s / min(len(means.t_s), FINE)
    lags = np.geomspace(least_s, measured_s / 4.0, _LAGS)
    known = [means.known(lag_s) for lag_s in lags.tolist()]
    enough = [i for i, one in enumerate(known) if 2 * one.sum() >= len(one)] or [0]
    lags, model = lags[: enough[-1] + 1], _Model(means, law, known[enough[-1]])
    found = weigh_lags(model.fit_each, lags, search)
    if known[enough[-1]].all() or found.high_s >= lags[-1]:
        return found, model
    high_s = max(found.high_s, 2.0 * least_s)
    model = _Model(means, law, means.known(high_s))
    lags = np.geomspace(least_s, high_s, _LAGS)
    return weigh_lags(model.fit_each, lags, search), model


def _beyond_chance(shares: Array, covariance: Array) -> bool:
    """Whether shares of the body differ from none, all together (chi-squared)."""
    if not len(shares):
        return False
    size = float(shares @ np.linalg.pinv(covariance, hermitian=True) @ shares)
    return chi_squared_above(len(shares), size) < _BY_CHANCE


class _Model:
    """The data with what is to be fitted; the noise models are prepared once.

    `known` marks the means that count.
    """

    def __init__(
        self, means: BodyMeans, law: LawTerms, known: NDArray[np.bool_]
    ) -> None:
        self._means, self._law, self.known = means, law, known
        t_s = means.t_s[known]
        self._blocks = block_starts(stretches(t_s), len(t_s))
        self._ppm, self._at = self._averaged([means.ppm, means.t_s])
        self._regression = Regression(self._at)
        self.means_s = float(np.median(np.diff(self._at)))

    def _averaged(self, columns: Sequence[Array]) -> list[Array]:
        """Average what counts of columns, one value for each mean."""
        return means_between([one[self.known] for one in columns], self._blocks)

    def body_c(self, lag_s: float) -> Array:
        """Return the temperature of the body, known or not."""
        return lagging(self._means.t_s, self._means.ambient_c, lag_s)

    def fit_each(self, lags_s: Sequence[float]) -> list[LinearFit]:
        """Fit with each of several lags. Raises DataError where one cannot be."""
        designs = [self._design(self.body_c(lag_s)) for lag_s in lags_s]
        return self._regression.fit_each(np.array(designs), self._ppm)

    def _design(self, body_c: Array) -> Array:
        law = self._law
        dt = body_c - law.reference_c
        powers = [dt**k for k in range(1, law.degree + 1)]
        columns = [np.ones_like(self._ppm), *self._averaged(powers)]
        if law.with_ageing:
            columns.append((self._at - self._at[0]) / 86_400.0)
        return np.column_stack(columns)

    def free(self, found: LinearFit, lag_s: float) -> LinearFit:
        """Fit again with the lag free, and when ambient changed.

        Both are linearised about what was found (Gauss and Newton), so that what they
        are not known by is in the intervals of the law. Between two readings, and
        between probe and counter, nobody knows when ambient moved: a sharp change
        shows less than a spacing, and would be taken for a curve of the law.
        """
        p, amiss_c = len(found.coefficients), np.zeros(len(self._means.t_s))
        for _ in range(_ROUNDS):
            body_c = self.body_c(lag_s) + amiss_c
            slope = self._slope(found, body_c)
            design = self._design(body_c)
            unknowns, columns = self._told_apart(design, slope, self._unknowns(lag_s))
            whole, unknowns = self._with_late(design, unknowns, columns)
            found = replace(
                whole,
                coefficients=whole.coefficients[:p],
                covariance=whole.covariance[:p, :p],
            )
            for (name, one), by in zip(unknowns, whole.coefficients[p:], strict=True):
                if name == "lag":
                    lag_s = min(max(lag_s + by, lag_s / _FAR), lag_s * _FAR)
                else:
                    amiss_c = amiss_c + by * one
        return found

    def _with_late(
        self,
        design: Array,
        unknowns: list[tuple[str, Array]],
        columns: list[Array],
    ) -> tuple[LinearFit, list[tuple[str, Array]]]:
        """Fit with all unknowns, but not with times that are known better anyway.

        Ambient is known to within the spacing of the means. In an even swing the data
        tell less of it, as lag and slope do the same; then it is no unknown, and what
        a spacing would do to each coefficient is in the covariance.
        """
        whole = self._regression.fit(np.column_stack([design, *columns]), self._ppm)
        at = [k for k, (name, _) in enumerate(unknowns) if name == _LATE]
        if not at or whole.u[design.shape[1] + at[0]] <= self._means.spacing_s:
            return whole, unknowns
        late = columns[at[0]]
        others = [one for k, one in enumerate(columns) if k != at[0]]
        rest = np.column_stack([design, *others])
        whole = self._regression.fit(rest, self._ppm)
        by_s, *_ = np.linalg.lstsq(rest, late, rcond=None)
        # as likely anywhere within a spacing: a rectangular distribution (JCGM 100)
        amiss = by_s * self._means.spacing_s / math.sqrt(3.0)
        whole = replace(whole, covariance=whole.covariance + np.outer(amiss, amiss))
        return whole, [one for k, one in enumerate(unknowns) if k != at[0]]

    def second_seen(self, found: LinearFit, lag_s: float) -> bool:
        """Whether a part of the body surely follows by another lag.

        Its share is tested beside all that the law is fitted with. The law itself is
        fitted without: a share of a slow lag is hardly told from a smaller slope.
        """
        if not lag_s:
            return False
        body_c = self.body_c(lag_s)
        design, slope = self._design(body_c), self._slope(found, body_c)
        lag, rate, *jumps = self._unknowns(lag_s)
        given = [lag, rate, *self._second(body_c, lag_s), *jumps]
        unknowns, columns = self._told_apart(design, slope, given)
        whole = self._regression.fit(np.column_stack([design, *columns]), self._ppm)
        p = len(found.coefficients)
        at = [p + k for k, (name, _) in enumerate(unknowns) if name == _SECOND]
        shares = whole.coefficients[at]
        return _beyond_chance(shares, whole.covariance[np.ix_(at, at)])

    def _told_apart(
        self, design: Array, slope: Array, unknowns: Sequence[tuple[str, Array]]
    ) -> tuple[list[tuple[str, Array]], list[Array]]:
        """Return the unknowns that the data can tell apart, and their columns."""
        kept, columns = [], []
        base, _ = np.linalg.qr(design / np.abs(design).max(axis=0))
        for one in unknowns:
            (column,) = self._averaged([slope * one[1]])
            rest = column - base @ (base.T @ column)
            size = float(np.linalg.norm(rest))
            if size > _APART * float(np.linalg.norm(column)):
                kept.append(one)
                columns.append(column)
                base = np.column_stack([base, rest / size])
        return kept, columns

    def _slope(self, found: LinearFit, body_c: Array) -> Array:
        """Return what the offset changes by with the body, ppm/C."""
        dt, powers = body_c - self._law.reference_c, range(1, self._law.degree + 1)
        terms = [k * found.coefficients[k] * dt ** (k - 1) for k in powers]
        return np.asarray(np.sum(terms, axis=0))

    def _unknowns(self, lag_s: float) -> list[tuple[str, Array]]:
        """Return what the body changes by with the lag, and with times of change."""
        means, body_c = self._means, self.body_c(lag_s)
        rate = (_LATE, np.gradient(body_c, means.t_s))
        if not lag_s:
            return [rate]
        more = (self.body_c(lag_s * _NUDGE) - body_c) / (lag_s * (_NUDGE - 1.0))
        since = [(means.t_s - means.t_s[at]) / lag_s for at in means.jumps().tolist()]
        fades = [np.where(x >= 0, np.exp(-np.maximum(x, 0.0)), 0.0) for x in since]
        return [("lag", more), rate, *(("jump", one) for one in fades)]

    def _second(self, body_c: Array, lag_s: float) -> list[tuple[str, Array]]:
        """Return what a part of the body does that follows by another lag."""
        least_s = self._means.spacing_s
        lags = [ratio * lag_s for ratio in _RATIOS]
        kept = [x for x in lags if least_s <= x <= self._means.measured_s / 2.0]
        return [(_SECOND, self.body_c(x) - body_c) for x in kept]
