"""Frequency from pulse trains: one against the host's clock, or two with each other.

The host's clock only carries the comparison of two trains: its rate is in both, and its
wander is too, so it drops out of the difference of stamps that are near each other.

Signs: a source that runs fast gains time; its time error grows, its offset is positive.
With y' the slope of a train's time error against the host and y_h the host's own
offset, 1 + y' = (1 + y) / (1 + y_h), so of two trains, the reference taken as true,

    y = (y'_source - y'_reference) / (1 + y'_reference)
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.pulses.growing_scatter import scatter_slope, with_scatter_slope
from benchlog.analysis.pulses.lateness import EarliestLine, Stamps, earliest_line
from benchlog.analysis.pulses.slope import FEWEST, SlopeFit, fit_slope
from benchlog.analysis.pulses.train import PulseTrain
from benchlog.errors import DataError
from benchlog.units import NS_PER_S

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

# spacings within which stamps may be compared; our rule: the next or last
_NEAR: Final = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainComparison:
    """A source's frequency against another clock.

    Parameters
    ----------
    offset : float
        Fractional frequency offset of the source against that clock.
    fit : SlopeFit
        The line through all stamps.
    earliest : EarliestLine, optional
        The line through the earliest stamps, where stamps are one-sided.
    t_s, error_s, group : arrays, shape (n,)
        Time errors that were compared, in s, with their times since the first stamp;
        phase is not known between groups. The offset is in their slope.
    spacing_s : float
        From one to the next.
    origin_ns : int
        Where `t_s` counts from, on the host's monotonic clock.
    aside : tuple of (source, reference)
        Good pulses of each that took no part: too far from the line.
    later_by : float
        By how much the mean delay of the stamps may grow, in s per s: 0 where their
        scatter is steady, and where the earliest stamps tell the offset.

    """

    offset: float
    fit: SlopeFit
    t_s: Array
    error_s: Array
    group: Whole
    spacing_s: float
    origin_ns: int = 0
    aside: tuple[int, int] = (0, 0)
    earliest: EarliestLine | None = None
    later_by: float = 0.0

    @property
    def line(self) -> SlopeFit:
        """The line that the offset comes from.

        Its `u` is the standard uncertainty of the offset by the scatter of the stamps,
        and by what they may come later and later.
        """
        if self.earliest is not None:
            return self.earliest.fit
        return with_scatter_slope(self.fit, self.later_by)

    @property
    def span_s(self) -> float:
        """From the first compared stamp to the last."""
        return float(np.ptp(self.t_s))

    def u_after(self, span_s: float) -> float:
        """Return what `line.u` will be once the run has lasted `span_s`.

        By white noise it falls with T^-3/2, by any other it is taken to fall with
        T^-1/2 (as by white frequency noise). The run shows in time which of the two it
        is: until then the exponents are weighed. Weighed powers of T would promise
        what the less likely noise takes.
        """
        return float(self.line.u * (self.span_s / span_s) ** (0.5 + self.line.white))


def against_host(source: PulseTrain) -> TrainComparison:
    """Compare a train with the host's clock. Raises DataError for too few pulses."""
    t_s = _seconds(source, _origin(source))
    error_s = source.error_s()
    fit = fit_slope(t_s, error_s, source.block)
    spacing_s = _spacing(t_s, source)
    origin_ns = _origin(source)
    stamps = Stamps.about(t_s, fit.residual_s, source.block, spacing_s)
    early = earliest_line(stamps)
    return TrainComparison(
        offset=fit.slope + (early.fit.slope if early else 0.0),
        fit=fit,
        t_s=t_s,
        error_s=error_s,
        group=source.block,
        spacing_s=spacing_s,
        origin_ns=origin_ns,
        aside=(fit.set_aside, 0),
        earliest=early,
        later_by=0.0 if early else scatter_slope(t_s, fit),
    )


def against(source: PulseTrain, reference: PulseTrain) -> TrainComparison:
    """Compare a train with the pulses of a reference, stamped by the same host.

    Raises DataError for too few pulses, or when the two hardly overlap.
    """
    if min(len(source), len(reference)) < FEWEST:
        raise DataError(f"at least {FEWEST} good pulses of both trains are needed")
    origin = min(_origin(source), _origin(reference))
    ours, theirs = _Straight(source, origin), _Straight(reference, origin)
    slow, fast = (ours, theirs) if len(ours) <= len(theirs) else (theirs, ours)
    at, other, there = _nearest(slow, fast)
    sign = 1.0 if slow is ours else -1.0
    difference = sign * (slow.residual_s[there] - other)
    group = _groups(slow.block[there], at)
    t_s = slow.t_s[there]
    fit = fit_slope(t_s, difference, group)
    early = earliest_line(ours.stamps, theirs.stamps)
    apart = ours.slope - theirs.slope + (early.fit if early else fit).slope
    spacing_s = max(_spacing(ours.t_s, source), _spacing(theirs.t_s, reference))
    error_s = difference + (ours.slope - theirs.slope) * t_s
    offset = apart / (1.0 + theirs.slope)
    aside = (
        len(source) - len(ours) + fit.set_aside,
        len(reference) - len(theirs),
    )
    return TrainComparison(
        offset=offset,
        fit=fit,
        t_s=t_s,
        error_s=error_s,
        group=group,
        spacing_s=spacing_s,
        origin_ns=origin,
        aside=aside,
        earliest=early,
        later_by=0.0 if early else scatter_slope(t_s, fit),
    )


class _Straight:
    """A train without its own line and without stamps far from it."""

    def __init__(self, train: PulseTrain, origin_ns: int) -> None:
        t_s, error_s = _seconds(train, origin_ns), train.error_s()
        fit = fit_slope(t_s, error_s, train.block)
        self.slope = fit.slope
        self.t_s, self.block = t_s[fit.used], train.block[fit.used]
        self.residual_s = fit.residual_s[fit.used]
        spacing_s = _spacing(t_s, train)
        self.stamps = Stamps.about(t_s, fit.residual_s, train.block, spacing_s)

    def __len__(self) -> int:
        return len(self.t_s)


def _nearest(slow: _Straight, fast: _Straight) -> tuple[Whole, Array, Whole]:
    """Return, for stamps of `slow`, what `fast` says about their time.

    The mean of those of `fast` that belong to a stamp, the nearest one where none does;
    with the block of `fast` and the numbers of the stamps of `slow` that have any.
    """
    spacing_s = float(np.median(np.diff(slow.t_s)))
    owner = _owner(slow.t_s, fast.t_s, spacing_s)
    ours = owner >= 0
    n = len(slow)
    count = np.bincount(owner[ours], minlength=n)
    total = np.bincount(owner[ours], fast.residual_s[ours], n)
    near = _index_of_nearest(fast.t_s, slow.t_s)
    mean = np.where(count > 0, total / np.maximum(count, 1), fast.residual_s[near])
    close = np.abs(fast.t_s[near] - slow.t_s) <= _NEAR * spacing_s
    there = np.flatnonzero(close)
    if len(there) < FEWEST:
        raise DataError("the two trains hardly overlap: there is nothing to compare")
    return fast.block[near][there], mean[there], there


def _owner(slow_s: Array, fast_s: Array, spacing_s: float) -> Whole:
    """Return which stamp of `slow_s` each of `fast_s` belongs to, -1 for none.

    Stamps are shifted by their usual distance first, so that two trains half a spacing
    apart pair up one to one whatever their jitter.
    """
    near = _index_of_nearest(slow_s, fast_s)
    turn = 2j * np.pi * (fast_s - slow_s[near]) / spacing_s
    shift_s = float(np.angle(np.exp(turn).mean()) / (2 * np.pi) * spacing_s)
    near = _index_of_nearest(slow_s, fast_s - shift_s)
    away = np.abs(fast_s - shift_s - slow_s[near])
    return np.where(away <= spacing_s / 2, near, -1)


def _index_of_nearest(sorted_s: Array, wanted_s: Array) -> Whole:
    right = np.clip(np.searchsorted(sorted_s, wanted_s), 1, len(sorted_s) - 1)
    left_is_nearer = wanted_s - sorted_s[right - 1] <= sorted_s[right] - wanted_s
    return right - left_is_nearer


def _groups(a: Whole, b: Whole) -> Whole:
    """Return one number for each pair of blocks that occurs."""
    _, group = np.unique(np.stack([a, b], axis=1), axis=0, return_inverse=True)
    return np.asarray(group.reshape(-1), dtype=np.int64)


def _origin(train: PulseTrain) -> int:
    if not len(train):
        raise DataError("there are no good pulses yet")
    return int(train.mono_ns[0])


def _seconds(train: PulseTrain, origin_ns: int) -> Array:
    return (train.mono_ns - origin_ns) / NS_PER_S


def _spacing(t_s: Array, train: PulseTrain) -> float:
    """Return the usual spacing: that of stamps at neighbouring places."""
    steps = np.diff(t_s)
    return float(np.median(steps)) if len(steps) else train.nominal_s
