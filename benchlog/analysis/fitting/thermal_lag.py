"""The thermal lag of a body behind ambient: how it follows, and how long it takes.

A body that follows ambient with one time constant is known where ambient was read all
along. After a gap it is not, until the lag has let it forget: such readings are left
out (`known_body`), and so are the first ones where ambient moves then (`begun_by`).
The lag itself is never known exactly either: every lag is weighed by its evidence, and
the spread of what they say is part of each interval.
"""

import math
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fitting.regression import LinearFit, combined
from benchlog.errors import DataError

Array = NDArray[np.float64]
Places = NDArray[np.int64]
FitEach = Callable[[Sequence[float]], list[LinearFit]]
"""Fits with each of several lags in s; raises DataError where one cannot be."""

# readings that are Python objects at a time; our rule: bounds memory
_STRIDE: Final = 100_000
# times the usual spacing: something is missing; our rule: two readings may be
_LONG: Final = 3.0
_MOST_GAPS: Final = 200  # our rule: bounds the work; the longest gaps are taken
# of the span of ambient, that it may have gone in a long gap; our rule: nobody looked
_LEAVES: Final = 0.1
_BEHIND: Final = 4.0
"""Derived: times what ambient moved between the halves of the first lag; 2 in a ramp,
up to 4 at the crest of a swing."""
# of the span of ambient: the body is known well enough; our rule: 3 mK of 30 C
_CLOSE: Final = 1e-4
# _RESOLVED and _SURE: tests/finders/lag_search.py. Criterion: 98 % of the intervals of
# each coefficient hold, narrowest to 1 %, then least work; runs of test_body_law.
_RESOLVED: Final = 2.0  # log evidence by which neighbours of the best lag may differ
_CLOSER: Final = 8  # our rule: bounds the rounds of looking closer
_SURE: Final = 1.1
# lags between two others, when it is looked closer; our rule: what the time allows
_BETWEEN: Final = 4


class LagSearch(NamedTuple):
    """How closely lags are looked at, and by how much likely ones differ at most.

    `resolved` is in log evidence, `sure` the ratio of the greatest to the least.
    """

    resolved: float = _RESOLVED
    sure: float = _SURE


LAG_SEARCH: Final = LagSearch()


@dataclass(frozen=True, slots=True, kw_only=True)
class Lagged:
    """What the lags say together: `fit` of all, `best` of the likeliest `lag_s`.

    `high_s` is a lag that the true one hardly exceeds. `lag_s` is 0 where no lag is
    as likely as one. `sure`: all that are likely lie within a tenth of each other.
    """

    fit: LinearFit
    best: LinearFit
    lag_s: float
    high_s: float
    sure: bool


def stretches(t_s: Array) -> Places:
    """Return where unbroken stretches begin, the first at 0; the longest gaps only."""
    if len(t_s) < 3:
        return np.zeros(1, np.int64)
    steps = np.diff(t_s)
    at = np.flatnonzero(steps > _LONG * float(np.median(steps)))
    if len(at) > _MOST_GAPS:
        at = np.sort(at[np.argsort(steps[at])[-_MOST_GAPS:]])
    return np.concatenate(([0], at + 1)).astype(np.int64)


def lagging(t_s: Array, ambient_c: Array, lag_s: float) -> Array:
    """Return the temperature of a body that follows ambient with a time constant.

    Between readings ambient is taken as a straight line; the body starts at ambient.
    """
    if lag_s <= 0:
        return ambient_c
    out = np.empty_like(ambient_c)
    out[0] = ambient_c[0]
    for start in range(0, len(out) - 1, _STRIDE):
        end = min(start + _STRIDE, len(out) - 1) + 1
        _follow(t_s[start:end], ambient_c[start:end], lag_s, out[start:end])
    return out


def _follow(t_s: Array, ambient_c: Array, lag_s: float, out: Array) -> None:
    """Go on from the body's first temperature, which stands in `out` already."""
    steps = np.diff(t_s)
    decay = np.exp(-steps / lag_s)
    slopes = np.diff(ambient_c) / steps
    settled = ambient_c[:-1] - slopes * lag_s
    arrived = settled + slopes * steps
    body = float(out[0])
    rows = zip(settled.tolist(), arrived.tolist(), decay.tolist(), strict=True)
    found = []
    for before, after, keep in rows:
        body = after + (body - before) * keep
        found.append(body)
    out[1:] = found


def known_body(
    t_s: Array, ambient_c: Array, starts: Places, lag_s: float
) -> NDArray[np.bool_]:
    """Mark the readings where a body with such a lag is known in spite of gaps.

    In a gap ambient went from one value to the other nobody knows when, and further
    the longer it lasted: what that may have done to the body has to fade to a
    10,000th of the span of ambient first.
    """
    known = np.ones(len(t_s), np.bool_)
    if lag_s <= 0:
        return known
    span_c = float(np.ptp(ambient_c))
    for start in starts[1:].tolist():
        share = min(1.0, float(t_s[start] - t_s[start - 1]) / lag_s)
        moved_c = abs(float(ambient_c[start] - ambient_c[start - 1]))
        doubt_c = (moved_c + _LEAVES * span_c * share) * share
        if doubt_c > _CLOSE * span_c:
            until_s = t_s[start] + lag_s * math.log(doubt_c / (_CLOSE * span_c))
            known[start : int(np.searchsorted(t_s, until_s))] = False
    return known


def begun_by(t_s: Array, ambient_c: Array, lag_s: float) -> int:
    """Return from which reading on a body is known, whatever it was before the first.

    Nobody looked before: had ambient moved as it did in the first lag, the body was
    behind it. That fades as in `known_body`.
    """
    half, end = np.searchsorted(t_s, [t_s[0] + lag_s / 2, t_s[0] + lag_s]).tolist()
    if half == 0 or end <= half:
        return 0
    moved_c = abs(float(ambient_c[half:end].mean() - ambient_c[:half].mean()))
    span_c = float(np.ptp(ambient_c))
    doubt_c = min(_BEHIND * moved_c, span_c)
    if doubt_c <= _CLOSE * span_c:
        return 0
    until_s = t_s[0] + lag_s * math.log(doubt_c / (_CLOSE * span_c))
    return int(np.searchsorted(t_s, until_s))


def weigh_lags(
    fit_each: FitEach, lags_s: Array, search: LagSearch = LAG_SEARCH
) -> Lagged:
    """Fit with no lag and with those from the least to the greatest of `lags_s`.

    No lag at all and some lag, every order of magnitude alike, are equally likely
    before the data speak. Lags are added about the likeliest until its neighbours are
    nearly as likely, so that none is missed between two others.
    """
    (none,), points = fit_each([0.0]), dict[float, LinearFit]()
    _add(fit_each, lags_s, points)
    for _ in range(_CLOSER if points else 0):
        order = sorted(points)
        at = max(range(len(order)), key=lambda i: points[order[i]].log_evidence)
        top = points[order[at]].log_evidence
        if top < none.log_evidence - 10.0:
            break
        around = order[max(0, at - 1) : at + 2]
        if all(top - points[lag].log_evidence < search.resolved for lag in around):
            break
        for low, high in pairwise(around):
            _add(fit_each, np.geomspace(low, high, _BETWEEN + 2)[1:-1], points)
    return _together(none, points, search.sure)


def _add(fit_each: FitEach, lags_s: Array, points: dict[float, LinearFit]) -> None:
    """Fit with more lags; one that leaves nothing to tell apart is left out."""
    lags = lags_s.tolist()
    try:
        points.update(zip(lags, fit_each(lags), strict=True))
    except DataError:
        for lag in lags:
            with suppress(DataError):
                (points[lag],) = fit_each([lag])


def _together(none: LinearFit, points: dict[float, LinearFit], sure: float) -> Lagged:
    if not points:
        return Lagged(fit=none, best=none, lag_s=0.0, high_s=0.0, sure=True)
    order = sorted(points)
    logs = np.log(order)
    widths = np.gradient(logs) if len(logs) > 1 else np.ones(1)
    shares = widths / widths.sum()
    fits = [none, *(points[lag] for lag in order)]
    evidence = np.array([one.log_evidence for one in fits])
    weights = np.exp(evidence - evidence.max()) * np.concatenate(([1.0], shares))
    weights /= weights.sum()
    best = max(order, key=lambda lag: points[lag].log_evidence)
    likeliest, lag_s = (none, 0.0) if weights[0] > 0.5 else (points[best], best)
    below = np.cumsum(weights)
    low_s, high_s = (
        [0.0, *order][min(int(np.argmax(below > share)) + more, len(order))]
        for share, more in ((0.001, 0), (0.999, 1))
    )
    together = combined(fits, weights, likeliest)
    return Lagged(
        fit=together,
        best=likeliest,
        lag_s=lag_s,
        high_s=high_s,
        sure=high_s <= sure * low_s,
    )
