"""Drift and ageing: a straight line, and the logarithmic law of MIL-PRF-55310.

f(t) = f0 + A ln(B t + 1), t in days from the start of the stabilisation period. The law
is linear in A; every B on a ladder is weighed by how well it explains the data.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fitting.regression import LinearFit, Regression, block_means
from benchlog.errors import DataError
from benchlog.units import (
    SECONDS_PER_DAY,
    as_stated,
    format_duration,
    interval_texts,
    three_digits,
)

Array = NDArray[np.float64]

YEAR_DAYS: Final = 365.25  # definition: the Julian year
# common practice, no source: what data sheets state
HORIZONS_YEARS: Final = (1.0, 10.0)
FARTHEST: Final = YEAR_DAYS
"""How many times their own length data may be extrapolated: a year from a day, ten
years from ten. Data that have not seen the room through a day cannot tell ageing from
temperature, and a law fitted to less is a guess at any interval (our rule; tests of
ageing last a month and more, common practice, no source)."""
_RATES: Final = 15  # values of B on the ladder; our rule: 3 to 4 in a decade
# times that the ladder is drawn closer about the likely ones; our rule: the time taken
_NARROWER: Final = 4
# tests/finders/ageing_laws.py. Criterion: at most 5 % are called the other law. Odds of
# 20 to 1, strong evidence: Kass and Raftery, J. Am. Stat. Assoc. 90 (1995) 773, from
# memory.
_CLEAR: Final = 3.0  # log evidence by which one law has to beat the other


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A figure with its 95 % interval and standard uncertainty, in `unit`."""

    name: str
    unit: str
    value: float
    low: float
    high: float
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Extrapolation:
    """Change of frequency from the end of the data to `years` later, ppm.

    The figures are None where the data are too short for that; `why_not` says so then.
    """

    years: float
    change_ppm: float | None
    low_ppm: float | None
    high_ppm: float | None
    why_not: str = ""

    @property
    def after(self) -> str:
        """Say when: `1 year`, `10 years`."""
        return f"{as_stated(self.years)} year{'' if self.years == 1 else 's'}"

    @property
    def texts(self) -> tuple[str, str, str]:
        """Return change, low and high for a person, `-` where they are not stated."""
        if self.change_ppm is None or self.low_ppm is None or self.high_ppm is None:
            return ("-", "-", "-")
        return interval_texts(self.change_ppm, self.low_ppm, self.high_ppm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ageing:
    """A law of ageing fitted to a run.

    `law` is `linear` or `logarithmic`; `log_evidence` compares the two; `choice` says
    in words which one the data prefer; `warning` how far an extrapolation reaches.
    What is left over is that of means over `residual_over_s`.
    """

    law: str
    coefficients: tuple[Estimate, ...]
    extrapolations: tuple[Extrapolation, ...]
    r2: float
    residual_ppm_rms: float
    residual_over_s: float
    noise: str
    span_days: float
    log_evidence: float
    choice: str
    warning: str


def ageing(
    days: Array,
    offset_ppm: Array,
    horizons_years: Sequence[float] = HORIZONS_YEARS,
    *,
    beside: Array | None = None,
) -> tuple[Ageing, Ageing]:
    """Fit both laws; the one the data prefer comes first.

    Parameters
    ----------
    days : array, shape (n,)
        Time since the start of the run (or of stabilisation), rising, at least 0.
    offset_ppm : array, shape (n,)
    horizons_years : sequence of float
        For which changes are extrapolated, from the end of the data.
    beside : array, shape (n, k), optional
        What else moved the offset, a column each, fitted together with either law.

    Raises DataError when there are fewer than 5 values, times do not rise, or nothing
    scatters.

    """
    _check(days, offset_ppm)
    others = [] if beside is None else list(beside.T)
    short_days, ppm, *columns = block_means([days, offset_ppm, *others])
    work = _AgeingWork(short_days, ppm, days, horizons_years, columns)
    line, log = _linear(work), _logarithmic(work)
    ahead = log.log_evidence - line.log_evidence
    if abs(ahead) < _CLEAR:
        said = "the data do not tell the two laws apart"
    else:
        better, worse = ("logarithmic", "linear") if ahead > 0 else ("linear", "log")
        said = f"the data prefer the {better} law to the {worse}"
    said += f" (log evidence {ahead:+.1f} for the logarithmic)"
    first, second = (log, line) if ahead > _CLEAR else (line, log)
    return replace(first, choice=said), replace(second, choice=said)


def year_ahead(laws: tuple[Ageing, Ageing]) -> tuple[float, float, str]:
    """Return the change over the year that follows the data: low, high, what it is of.

    `laws` are those of `ageing`. Where the data do not tell them apart, low is the
    lower one of both, and high the higher: a straight line through a month of a
    logarithmic law would make three times as much of a year. Raises DataError where the
    data are too short for a year, or `ageing` was asked for no year.
    """
    clear = abs(laws[0].log_evidence - laws[1].log_evidence) >= _CLEAR
    ends: list[float] = []
    for law in laws[: 1 if clear else 2]:
        far = next((one for one in law.extrapolations if one.years == 1.0), None)
        if far is None or far.low_ppm is None or far.high_ppm is None:
            raise DataError(far.why_not if far else "no year ahead was asked for")
        ends += [far.low_ppm, far.high_ppm]
    told = f"{laws[0].law} law" if clear else "linear and logarithmic law"
    return min(ends), max(ends), told


def _check(days: Array, offset_ppm: Array) -> None:
    if len(days) != len(offset_ppm) or len(days) < 5:
        raise DataError("ageing needs at least 5 values with their times")
    if not (np.all(np.isfinite(days)) and np.all(np.isfinite(offset_ppm))):
        raise DataError("ageing needs finite values and times")
    if days[0] < 0 or np.any(np.diff(days) <= 0):
        raise DataError("times must rise from 0: ageing counts from the start")


class _AgeingWork:
    """Block means of the data with their regression; last day and length of all."""

    def __init__(
        self,
        days: Array,
        ppm: Array,
        whole: Array,
        years: Sequence[float],
        beside: Sequence[Array],
    ) -> None:
        self.days, self.ppm, self.years = days, ppm, tuple(years)
        self.beside = beside
        self.last, self.span = float(whole[-1]), float(whole[-1] - whole[0])
        self._regression = Regression(days)

    def fit(self, *grown: Array) -> list[LinearFit]:
        """Fit what each of these columns says how the device has aged."""
        one = np.ones_like(self.days)
        designs = [np.column_stack([one, each, *self.beside]) for each in grown]
        return self._regression.fit_each(np.array(designs), self.ppm)

    def ahead(self, years: float, change: tuple[float, float, float]) -> Extrapolation:
        """Return a change (with its interval) of so many years, if it may be stated."""
        wanted = years * YEAR_DAYS / FARTHEST
        if self.span >= wanted:
            ppm, low_ppm, high_ppm = change
            return Extrapolation(
                years=years, change_ppm=ppm, low_ppm=low_ppm, high_ppm=high_ppm
            )
        lasts = format_duration(self.span * SECONDS_PER_DAY)
        why = (
            f"not stated: the data last {lasts}, {as_stated(years)} year"
            f"{'' if years == 1 else 's'} ahead want {as_stated(wanted, 3)} day"
            f"{'' if wanted == 1 else 's'} and more"
        )
        return Extrapolation(
            years=years, change_ppm=None, low_ppm=None, high_ppm=None, why_not=why
        )


def _linear(work: _AgeingWork) -> Ageing:
    (found,) = work.fit(work.days)
    half = found.quantile() * float(found.u[1])
    rate = float(found.coefficients[1])
    per_day = Estimate(
        name="rate",
        unit="ppm/day",
        value=rate,
        low=rate - half,
        high=rate + half,
        u=float(found.u[1]),
    )
    ahead = tuple(
        work.ahead(y, (rate * t, (rate - half) * t, (rate + half) * t))
        for y in work.years
        for t in (y * YEAR_DAYS,)
    )
    return _result(work, "linear", (per_day,), ahead, found, found.log_evidence)


def _logarithmic(work: _AgeingWork) -> Ageing:
    """Weigh the law over B; the ladder is drawn closer where the weight lies.

    The evidence is that of the first, widest ladder, so that it compares with a line.
    """
    low, high = 0.1 / work.last, 1e3 / work.last
    evidence = None
    for _ in range(_NARROWER + 1):
        rates = np.geomspace(low, high, _RATES)
        fits = work.fit(*np.log1p(np.outer(rates, work.days)))
        logs = np.array([found.log_evidence for found in fits])
        weights = np.exp(logs - logs.max())
        if evidence is None:
            evidence = float(logs.max() + np.log(weights.mean()))
        weights /= weights.sum()
        likely = np.flatnonzero(weights > 1e-4)
        low = float(rates[max(0, likely[0] - 1)])
        high = float(rates[min(_RATES - 1, likely[-1] + 1)])
    coefficients = (
        _mixed("A", "ppm", fits, weights, np.ones(_RATES)),
        _rate(rates, weights),
    )
    ahead = []
    for years in work.years:
        late = work.last + years * YEAR_DAYS
        growth = np.log1p(rates * late) - np.log1p(rates * work.last)
        change = _mixed("change", "ppm", fits, weights, growth)
        ahead.append(work.ahead(years, (change.value, change.low, change.high)))
    best = fits[int(logs.argmax())]
    return _result(work, "logarithmic", coefficients, tuple(ahead), best, evidence or 0)


def _rate(rates: Array, weights: Array) -> Estimate:
    """B, whose logarithm is taken as normal."""
    logs = np.log(rates)
    mean = float(weights @ logs)
    spread = float(np.sqrt(weights @ (logs - mean) ** 2))
    b = float(np.exp(mean))
    wide = float(np.exp(1.96 * spread))
    return Estimate(
        name="B", unit="1/day", value=b, low=b / wide, high=b * wide, u=b * spread
    )


def _mixed(
    name: str, unit: str, fits: list[LinearFit], weights: Array, factors: Array
) -> Estimate:
    """Combine A times a factor over the rates."""
    each = factors * np.array([found.coefficients[1] for found in fits])
    variances = factors**2 * np.array([found.covariance[1, 1] for found in fits])
    mean = float(weights @ each)
    u = float(np.sqrt(weights @ (variances + (each - mean) ** 2)))
    half = fits[0].quantile() * u
    return Estimate(
        name=name, unit=unit, value=mean, low=mean - half, high=mean + half, u=u
    )


def _result(  # noqa: PLR0917
    work: _AgeingWork,
    law: str,
    coefficients: tuple[Estimate, ...],
    ahead: tuple[Extrapolation, ...],
    found: LinearFit,
    evidence: float,
) -> Ageing:
    warning = (
        f"extrapolated from {three_digits(work.span)} days: the interval holds only "
        "if the same "
        "law and the same noise go on"
    )
    if all(far.why_not for far in ahead):
        warning = "nothing is extrapolated: the data are too short for that"
    return Ageing(
        law=law,
        coefficients=coefficients,
        extrapolations=ahead,
        r2=found.r2,
        residual_ppm_rms=found.residual_rms,
        residual_over_s=float(np.median(np.diff(work.days))) * 86_400.0,
        noise=found.noise,
        span_days=work.span,
        log_evidence=evidence,
        choice="",
        warning=warning,
    )
