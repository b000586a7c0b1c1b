"""The slope of time errors: frequency from pulse stamps, with an honest interval.

A least-squares line through n stamps of white noise has the standard deviation

    u = sigma sqrt(12) / (T sqrt(n))            (spacing T/n, n not small)

but stamps are seldom white: polling beats, a receiver's sawtooth, a host or a device
that wanders. What the line picks up is the noise at its longest periods, so u follows
from the power S_k of the residuals' cosine transform as

    u^2 = sum over k of W_k^2 S_k,   W the transform of the line's own weights,

in which the slowest terms weigh most; the line itself has taken just those out of the
residuals. They are extrapolated from the others by every shape of a ladder: white
alone, white with power laws k^-1 ... k^-4, white with a plateau. Shapes are weighed by
how well they explain the residuals (Whittle's likelihood; the level is integrated out),
and the interval is the mixture of what each of them says.
"""

import math
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.nearest_student import as_student
from benchlog.errors import DataError

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

FEWEST: Final = 5  # our rule: fewer show no noise about a line
"""Stamps below which no interval is given."""
# Our rule: normal scatter reaches it once in two million stamps. What it costs:
# tests/finders/aside.py.
ASIDE: Final = 5.0
"""Residuals beyond this many robust standard deviations are set aside."""
_MAD_TO_SD: Final = 1.4826  # definition: 1 / 0.6745, of normal scatter
_ROUNDS: Final = 8  # our rule: bounds the time
# Weights, ladder and bands: tests/finders/slope_weights.py. Criterion: least interval
# score of the slope over noises of every colour, among what holds enough in each.
_POWERS: Final = ((1.0, 6e-3), (2.0, 1.8e-2), (3.0, 9e-4), (4.0, 9e-6))
_PLATEAU: Final = 6e-3
_SHORT: Final = 83.0  # stamps; fewer give coloured shapes weight
_STEP: Final = 4.0  # of the ladder of levels
_TOP: Final = 16.0
_BAND: Final = 1.12  # cosine terms within this ratio are taken together


class SlopeShapes(NamedTuple):
    """Which shapes of the spectrum are weighed, how much, and in which bands."""

    powers: tuple[tuple[float, float], ...] = _POWERS
    plateau: float = _PLATEAU
    short: float = _SHORT
    step: float = _STEP
    top: float = _TOP
    band: float = _BAND


_ALL_SHAPES: Final = SlopeShapes()


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeFit:
    """A line through time errors.

    Parameters
    ----------
    slope : float
        Fractional frequency (s per s).
    u : float
        Standard uncertainty of it; with `freedom` degrees of freedom.
    rms_s, pp_s : float
        Residuals about the line: standard deviation and peak to peak, in s, of those
        that were used.
    used : array of bool
        False where a stamp was set aside.
    residual_s : array
        Time error minus line, in s, also of those set aside.
    white : float
        Share of u^2 that is expected to come of white noise: the mean over the shapes,
        each by its weight. It is no ratio to `u`, which the least likely shapes widen.

    """

    slope: float
    u: float
    freedom: float
    rms_s: float
    pp_s: float
    used: NDArray[np.bool_]
    residual_s: Array
    white: float

    @property
    def set_aside(self) -> int:
        """How many stamps were too far from the line to count."""
        return int(np.count_nonzero(~self.used))


def fit_slope(
    t_s: Array,
    error_s: Array,
    group: Whole,
    *,
    shapes: SlopeShapes = _ALL_SHAPES,
    aside: float = ASIDE,
) -> SlopeFit:
    """Fit one slope with an own intercept for each group; robust.

    Parameters
    ----------
    t_s, error_s : array, shape (n,)
        Times and time errors in s.
    group : array of int, shape (n,)
        Stretches between which phase is not known.
    shapes : SlopeShapes
    aside : float
        Robust standard deviations beyond which a stamp is set aside.

    Raises DataError when fewer than `FEWEST` stamps are left.

    """
    used = np.ones(len(t_s), dtype=np.bool_)
    residual = _first_residual(t_s, error_s, group)
    slope = 0.0
    for _ in range(_ROUNDS):
        before = used
        used = _near(residual, aside)
        _enough(used)
        slope, level = _line(t_s, error_s, group, used)
        residual = error_s - level - slope * t_s
        if np.array_equal(before, used):
            break
    kept = residual[used]
    weights = _weights(t_s[used], group[used])
    u, freedom, white = _uncertainty(kept, weights, shapes)
    lost = 1 + len(np.unique(group[used]))
    rms = math.sqrt(float(kept @ kept) / max(1, len(kept) - lost))
    return SlopeFit(
        slope=slope,
        u=u,
        freedom=freedom,
        rms_s=rms,
        pp_s=float(np.ptp(kept)),
        used=used,
        residual_s=residual,
        white=white,
    )


def _enough(used: NDArray[np.bool_]) -> None:
    n = int(np.count_nonzero(used))
    if n < FEWEST:
        raise DataError(f"{n} good pulses: at least {FEWEST} are needed for a slope")


def _first_residual(t_s: Array, error_s: Array, group: Whole) -> Array:
    """Return residuals of a line that a third of bad stamps does not move."""
    longest = np.flatnonzero(group == _commonest(group))
    half = len(longest) // 2
    early, late = longest[:half], longest[len(longest) - half :]
    apart = t_s[late] - t_s[early]
    slope = 0.0
    if np.any(apart > 0):
        rise = (error_s[late] - error_s[early])[apart > 0]
        slope = float(np.median(rise / apart[apart > 0]))
    residual = error_s - slope * t_s
    for which in np.unique(group):
        residual[group == which] -= np.median(residual[group == which])
    return residual


def _commonest(group: Whole) -> int:
    found, count = np.unique(group, return_counts=True)
    return int(found[count.argmax()])


def robust_deviation(residual: Array) -> float:
    """Return the standard deviation that the median distance from the median tells."""
    return _MAD_TO_SD * float(np.median(np.abs(residual - np.median(residual))))


def _near(residual: Array, aside: float) -> NDArray[np.bool_]:
    centred = np.abs(residual - np.median(residual))
    sd = robust_deviation(residual)
    return centred <= aside * sd if sd > 0 else np.ones(len(residual), np.bool_)


def not_too_early(residual: Array, aside: float = ASIDE) -> NDArray[np.bool_]:
    """Return which stamps are not far before the others; they may be late."""
    centred = residual - np.median(residual)
    sd = robust_deviation(residual)
    return centred <= aside * sd if sd > 0 else np.ones(len(residual), np.bool_)


def straight_slope(
    t_s: Array, error_s: Array, group: Whole, used: NDArray[np.bool_]
) -> float:
    """Return the plain least-squares slope, with an own level for each group."""
    return _line(t_s, error_s, group, used)[0]


def _line(
    t_s: Array, error_s: Array, group: Whole, used: NDArray[np.bool_]
) -> tuple[float, Array]:
    """Return the common slope, and each stamp's intercept (that of its group)."""
    _, member = np.unique(group, return_inverse=True)
    count = np.bincount(member[used], minlength=member.max() + 1)
    safe = np.maximum(count, 1)
    mean_t = np.bincount(member[used], t_s[used], len(safe)) / safe
    mean_x = np.bincount(member[used], error_s[used], len(safe)) / safe
    away = (t_s - mean_t[member])[used]
    spread = float(away @ away)
    if spread <= 0:
        raise DataError("all pulses came at once: there is no slope in that")
    slope = float(away @ (error_s - mean_x[member])[used]) / spread
    return slope, (mean_x - slope * mean_t)[member]


def _weights(t_s: Array, group: Whole) -> Array:
    """Return the weights w of the slope: slope = sum w x."""
    _, member = np.unique(group, return_inverse=True)
    count = np.bincount(member)
    away = t_s - (np.bincount(member, t_s) / count)[member]
    return np.asarray(away / (away @ away))


def _uncertainty(
    residual: Array, weights: Array, shapes: SlopeShapes
) -> tuple[float, float, float]:
    """Return u of the slope, its freedom, and the expected white share of u^2.

    Cosine terms are taken together in bands; the first term is a band of its own, which
    the line has taken out of the residuals, so it is not among what was seen.
    """
    from scipy.fft import dct  # noqa: PLC0415 - a tenth of the start of a command

    starts, middle = _bands(len(residual), shapes.band)
    width = np.diff(np.append(starts, len(residual) - 1)).astype(np.float64)
    power = np.add.reduceat(dct(residual, norm="ortho")[1:] ** 2, starts)[1:]
    pull = np.add.reduceat(dct(weights, norm="ortho")[1:] ** 2, starts)
    if not np.any(power > 0):
        return 0.0, math.inf, 1.0
    model, prior = _shapes(middle, len(residual), shapes)
    terms = float(width[1:].sum())
    misfit = (1.0 / model[:, 1:]) @ power
    log_weight = prior - 0.5 * (
        np.log(model[:, 1:]) @ width[1:] + terms * np.log(misfit)
    )
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    level = misfit / terms
    pulled = model @ pull
    log_u = 0.5 * np.log(level * pulled)
    u, freedom = as_student(weight[None], log_u[None], np.array([terms]))
    return float(u[0]), float(freedom[0]), float(weight @ (pull.sum() / pulled))


def _bands(n: int, band: float) -> tuple[Whole, Array]:
    """Return where bands of the terms 1 ... n - 1 start, and the term in their middle.

    The transform's terms stand at 0 ... n - 2.
    """
    edges = [0, 1]
    while edges[-1] < n - 1:
        edges.append(min(n - 1, max(edges[-1] + 1, math.ceil(edges[-1] * band))))
    starts = np.array(edges[:-1])
    return starts, (starts + 1 + np.array(edges[1:])) / 2.0


def _shapes(middle: Array, n: int, shapes: SlopeShapes) -> tuple[Array, Array]:
    """Return power per cosine term of every shape (white is 1), and log weights."""
    pace = 2.0 * np.sin(np.pi * middle / (2 * n))
    pace /= pace[0]
    reach = float(pace[-1])
    rows, weights = [np.ones(len(pace))], [1.0]
    for power, weight in shapes.powers:
        for level in _ladder(reach**power, shapes):
            rows.append(1.0 + level * pace**-power)
            weights.append(weight)
    for corner in 2.0 ** np.arange(2, max(2, math.floor(math.log2(n / 2)))):
        for level in _ladder((reach / float(corner)) ** 2, shapes):
            rows.append(1.0 + level / (1.0 + (pace / corner) ** 2))
            weights.append(shapes.plateau)
    coloured = np.array(weights)
    coloured[1:] *= 1.0 + shapes.short / n
    return np.array(rows), np.log(coloured)


def _ladder(reach: float, shapes: SlopeShapes) -> Array:
    """Return levels from as strong as white to where white is seen no more."""
    step, top = shapes.step, shapes.top
    rungs = math.ceil(math.log(max(step, top * reach), step)) + 1
    return np.asarray(step ** np.arange(rungs))
