"""The uncertainty of a short run's mean, by the Allan deviation that a soak has shown.

A run of length T says little of the noise at averaging times near T, and its mean
depends on just that. A soak of the same kind of part at the same counter shows the
Allan deviation at T itself. The run takes it, together with the little that its own
longest averages show, unless its own Allan variances contradict the soak's, or
it drifts by more than the soak's noise lets a line through a run have.

How often the intervals hold: tests/verdict/LEARNT.md.
"""

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.distributions import f_above, student_quantile
from benchlog.analysis.even_drift import without_drift
from benchlog.analysis.noise_mixture import SLOPE
from benchlog.analysis.stability.freedom import Differences, equivalent_freedom
from benchlog.analysis.stats import RunStats
from benchlog.analysis.uncertainty import MeanUncertainty, pairs_freedom
from benchlog.model import LearntStability
from benchlog.units import (
    NS_PER_S,
    SECONDS_PER_DAY,
    as_stated,
    format_duration,
    iso_utc,
    three_digits,
    two_digits,
)

SPANS: Final = 12.0  # our rule: 10 degrees of freedom or more, t at most 2.23
"""How many times as long as the run a soak must be."""
VALID_DAYS: Final = 90.0  # our rule: a quarter; a bench and a part's lots change
"""How old a soak may be when a run that uses it begins."""
FALSE_DEPARTURES: Final = 0.01  # our rule
"""How often a run is told to depart from a soak of its own kind, at most."""
FALSE_DRIFTS: Final = 0.05  # our rule: a drift that is missed is in no line
"""How often a run without a drift is told to drift and is judged by itself, at most."""
_FEWEST: Final = 10  # our rule: as the fewest of a measurement; no test bites before
_SAME_SPACING: Final = 0.25  # our rule: it moves u by 12 % at most
_STEEPEST: Final = -1.5  # derived: midway of mu = -1 (white FM) and -2 (white PM)
_OCTAVE: Final = math.log(2.0)  # definition
# definition: of white PM, white FM, flicker FM and random-walk FM, as `SLOPE`
_MU: Final = (-2.0, -1.0, 0.0, 1.0)
_LOG_SLOPE: Final = np.log(SLOPE)  # derived


@dataclass(frozen=True, slots=True)
class Rest:
    """The uncertainty of a mean, and what it rests on.

    `rests_on` is the number of the soak, None where the run is judged by itself;
    `departure` is how the run contradicts the soak; empty where it does not. `alone`
    tells why a run is judged by itself although there is a soak.
    """

    mean: MeanUncertainty
    rests_on: int | None = None
    departure: str = ""
    alone: str = ""

    def beside_drift(self, noise: MeanUncertainty) -> "Rest":
        """Return the same for the noise that is left beside a drift."""
        return replace(self, mean=_by_itself(noise, self.alone))


def learnt_from_soak(
    stats: RunStats,
    *,
    run_id: int,
    device: str,
    began_utc_ns: int,
    ended_utc_ns: int,
) -> LearntStability | None:
    """Return what a soak has taught; None where its readings tell nothing."""
    points = [
        one
        for octave, one in enumerate(stats.bridged)
        if one.n > 1 and one.avar > 0 and one.m == 1 << octave
    ]
    if len(points) < 2 or not stats.tau0_s or not stats.gate_s:
        return None
    if stats.turns is not None:
        return None  # it was not seen between its turns
    length = max(float(stats.n), stats.span_s / stats.tau0_s)
    ln = [math.log(one.avar) for one in points]
    mu = [(b - a) / _OCTAVE for a, b in pairwise(ln)]
    freedom = []
    for at, one in enumerate(points):
        near = mu[max(at - 1, 0) : at + 1]
        alpha = noise_of_slope(sum(near) / len(near))
        differences = Differences(order=2, m=one.m, pairs=one.n)
        freedom.append(max(1.0, equivalent_freedom(differences, alpha)))
    return LearntStability(
        run_id=run_id,
        device=device,
        began_utc_ns=began_utc_ns,
        ended_utc_ns=ended_utc_ns,
        length=length,
        gate_s=stats.gate_s,
        tau0_s=stats.tau0_s,
        m=tuple(one.m for one in points),
        avar_ppm2=tuple(one.avar for one in points),
        freedom=tuple(freedom),
    )


def noise_of_slope(mu: float) -> int:
    """Return the exponent alpha of a noise whose Allan variance goes as tau^mu.

    White and flicker PM have one slope; flicker PM has the fewer degrees of freedom
    and is taken. Source: NIST SP 1065, table 3 (mu = -alpha - 1).
    """
    return 1 if mu < _STEEPEST else max(-2, round(-mu - 1.0))


def is_fresh(learnt_ended_utc_ns: int, at_utc_ns: int) -> bool:
    """Whether a run at a time may rest on a soak that ended then."""
    days = abs(at_utc_ns - learnt_ended_utc_ns) / (NS_PER_S * SECONDS_PER_DAY)
    return days <= VALID_DAYS


def rest_of(
    learnt: LearntStability | None, stats: RunStats, own: MeanUncertainty
) -> Rest:
    """Return the uncertainty of the mean of a run, by the soak where it may be used.

    `own` is what the run says by itself; it is returned, with the reason, where soak
    and run do not fit together.
    """
    if learnt is None:
        return Rest(own)
    tau0_s = stats.tau0_s or learnt.tau0_s
    length = max(float(stats.n), stats.span_s / tau0_s)
    if stats.turns is not None:
        why = "had no dead time, and this run is measured in turns"
        return _alone(own, f"{named(learnt)} {why}")
    if why := _unusable(learnt, stats, tau0_s, length):
        return _alone(own, f"{named(learnt)} {why}")
    variance, freedom = _at(learnt, length)
    drifts = _drift(learnt, stats, length)
    octaves = _octaves(without_drift(stats) if drifts else stats, length)
    if said := _departure(learnt, octaves, tau0_s, only_above=bool(drifts)):
        return _alone(own, f"it departs from {named(learnt)}", said)
    if drifts:
        return _alone(own, f"it drifts beside {named(learnt)}", drifts)
    more, known = _own_at(learnt, octaves, variance)
    pooled = (freedom * variance + known * more) / (freedom + known)
    unseen = three_digits(_unseen_drift_ppm(learnt, length))
    text = (
        f"Allan deviation at {format_duration(length * tau0_s)} by {named(learnt)}, "
        f"which this run agrees with; a drift below {unseen} ppm in it would not show"
    )
    return Rest(
        MeanUncertainty(math.sqrt(pooled), freedom + known, text, own.terms),
        learnt.run_id,
    )


def named(learnt: LearntStability) -> str:
    """Return which soak it was, in words."""
    day = (iso_utc(learnt.ended_utc_ns) or "")[:10]
    return f"run {learnt.run_id}, the soak of {learnt.device} until {day}"


def _unusable(
    learnt: LearntStability, stats: RunStats, tau0_s: float, length: float
) -> str:
    """Return why the soak says nothing of this run; empty where it does."""
    if learnt.void:
        return f"does not count any more ({learnt.void})"
    if stats.n < _FEWEST:
        return f"counts from {_FEWEST} readings on"
    gate_s = stats.gate_s or 0.0
    if abs(gate_s / learnt.gate_s - 1.0) > 1e-6:
        return f"had a gate of {format_duration(learnt.gate_s)}"
    if abs(tau0_s / learnt.tau0_s - 1.0) > _SAME_SPACING:
        every, here = format_duration(learnt.tau0_s), format_duration(tau0_s)
        return f"had a reading every {every}, this run every {here}"
    if learnt.length < SPANS * length or learnt.m[-1] < length:
        return f"is shorter than {as_stated(SPANS)} times this run"
    return ""


def _alone(own: MeanUncertainty, why: str, said: str = "") -> Rest:
    departure = f"{said}: U is from this run by itself" if said else ""
    return Rest(_by_itself(own, why), departure=departure, alone=why)


def _by_itself(own: MeanUncertainty, why: str) -> MeanUncertainty:
    if not why:
        return own
    return MeanUncertainty(
        own.u_ppm, own.degrees_of_freedom, f"{own.text}; by itself: {why}", own.terms
    )


def _at(learnt: LearntStability, m: float) -> tuple[float, float]:
    """Return Allan variance and degrees of freedom at a factor m, between octaves.

    Both go as powers of m from octave to octave.
    """
    at = min(int(math.log2(m)), len(learnt.m) - 2)
    share = math.log2(m / learnt.m[at])
    low, high = learnt.avar_ppm2[at : at + 2]
    few, fewer = learnt.freedom[at : at + 2]
    return low * (high / low) ** share, few * (fewer / few) ** share


def _unseen_drift_ppm(learnt: LearntStability, length: float) -> float:
    """Return the slope times T that noise of the soak explains, in 95 % of runs.

    By an F test of (slope T)^2 / 12 over what it is on average by that noise: its Allan
    variance at T, times a factor by its kind (`SLOPE`). Which kind it is tells the
    slope of the soak's Allan variances there. A drift that the soak had too is in them.
    """
    at = min(int(math.log2(length)), len(learnt.m) - 2)
    variance, freedom = _at(learnt, length)
    mu = math.log(learnt.avar_ppm2[at + 1] / learnt.avar_ppm2[at]) / _OCTAVE
    by_noise = variance * math.exp(float(np.interp(mu, _MU, _LOG_SLOPE)))
    # F of one degree of freedom is t squared
    t = student_quantile(freedom, 1.0 - FALSE_DRIFTS / 2.0)
    return t * math.sqrt(12.0 * by_noise)


def _drift(learnt: LearntStability, stats: RunStats, length: float) -> str:
    """Return how a run drifts where noise of the soak does not explain its slope."""
    slope = stats.slope_ppm_per_s
    if not slope:
        return ""
    over_t_ppm = slope * stats.span_s
    if abs(over_t_ppm) <= _unseen_drift_ppm(learnt, length):
        return ""
    return (
        f"this run drifts by {three_digits(over_t_ppm)} ppm in "
        f"{format_duration(stats.span_s)}, more than the noise of {named(learnt)}"
    )


def _own_at(
    learnt: LearntStability, own: "_Octaves", variance: float
) -> tuple[float, float]:
    """Return what the longest averages of the run say of the variance at T.

    They are carried on to T in proportion to the soak's variances.
    """
    there = learnt.avar_ppm2[own.octave[-1]]
    return float(own.avar[-1]) * variance / there, float(own.freedom[-1])


class _Octaves(NamedTuple):
    """The Allan variances of a run; `octave` is log2 of the averaging factor."""

    octave: NDArray[np.int64]
    avar: NDArray[np.float64]
    freedom: NDArray[np.float64]


def _octaves(stats: RunStats, length: float) -> _Octaves:
    """Return the run's variances; freedom is that of white or flicker FM, the fewer.

    Source: NIST SP 1065, table 5 (from memory).
    """
    points = stats.bridged
    m = np.array([one.m for one in points], dtype=np.float64)
    pairs = np.array([one.n for one in points], dtype=np.float64)
    flicker = 1.25 * length**2 / (m * (length + 3.0 * m))
    return _Octaves(
        np.array([one.m.bit_length() - 1 for one in points]),
        np.array([one.avar for one in points]),
        np.minimum(pairs_freedom(length, m, pairs), flicker),
    )


def _departure(
    learnt: LearntStability, own: _Octaves, tau0_s: float, *, only_above: bool = False
) -> str:
    """Return where the run's Allan variances contradict the soak's; empty if nowhere.

    An F test at each octave, two-sided; together they are wrong in
    `FALSE_DEPARTURES` at most (Bonferroni). Without a line they come out too small at
    long averaging times: then only what is above the soak's counts.
    """
    theirs = np.array(learnt.freedom)[own.octave]
    ratio = own.avar / np.array(learnt.avar_ppm2)[own.octave]
    each = zip(own.freedom, theirs, ratio, strict=True)
    above = np.array([f_above(*map(float, one)) for one in each])
    tail = above if only_above else np.minimum(above, 1.0 - above)
    worst = int(np.argmin(tail))
    if tail[worst] >= FALSE_DEPARTURES / (2.0 * len(tail)):
        return ""
    times = math.sqrt(float(ratio[worst]))
    tau = format_duration(learnt.m[own.octave[worst]] * tau0_s)
    return (
        f"this run departs from {named(learnt)}: its Allan deviation at {tau} is "
        f"{two_digits(times)} times the soak's"
    )
