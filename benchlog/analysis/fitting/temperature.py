"""The temperature law of a source from a run, and a data sheet's promise beside it."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fitting.ageing import Estimate
from benchlog.analysis.fitting.body_law import LawTerms, fit_body_law
from benchlog.analysis.fitting.regression import LinearFit
from benchlog.analysis.fitting.thermometer import by_thermometer, thermometer
from benchlog.analysis.laws import kind_law
from benchlog.errors import DataError
from benchlog.model import Kind, Limits
from benchlog.units import (
    as_stated,
    format_duration,
    format_ppm,
    format_u_ppm,
    three_digits,
    two_digits,
)

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """The data sheet's stability over temperature, held against the fitted law.

    `worst_ppm` is the largest distance from the value at the reference temperature
    within the promised range; `measured` whether the run covered that range; the rest
    is extrapolation, and `text` says so.
    """

    limit_ppm: float
    worst_ppm: float
    at_c: float
    u_ppm: float
    measured: bool
    text: str


@dataclass(frozen=True, slots=True)
class Law:
    """A fitted law: offset = f0 + sum c_k (T - reference_c)^k, over measured C."""

    fit: LinearFit
    degree: int
    reference_c: float
    seen: tuple[float, float]


def promise_of(law: Law, limits: Limits | None) -> tuple[Promise | None, str]:
    """Return what the law says of the promise, and a note where it cannot say.

    An extrapolation whose 95 % interval is wider than the promise itself says nothing,
    and none is returned, unless the promise is broken where it was measured.
    """
    if limits is None or limits.stability_ppm is None or limits.range_c is None:
        return None, ""
    low, high = limits.range_c
    seen_low, seen_high = law.seen
    grid = np.linspace(low, high, 201)
    if float(_half_widths(law, grid, limits).max()) <= limits.stability_ppm:
        return _worst(law, grid, limits), ""
    note = (
        f"the run spans only {two_digits(seen_high - seen_low)} C ({seen_low:.1f} to "
        f"{seen_high:.1f} C); not enough to say anything about {as_stated(low)} to "
        f"{as_stated(high)} C"
    )
    inside = np.linspace(max(low, seen_low), min(high, seen_high), 201)
    if seen_high <= low or high <= seen_low:
        return None, note
    found = _worst(law, inside, limits)
    broken = found.worst_ppm - found.u_ppm > limits.stability_ppm
    return (found, note) if broken else (None, note)


def _rows(law: Law, at_c: Array, limits: Limits) -> Array:
    """Return what the coefficients count for in the change from the reference."""
    dt, base = at_c - law.reference_c, limits.reference_c - law.reference_c
    rows = np.zeros((len(at_c), len(law.fit.coefficients)))
    for k in range(1, law.degree + 1):
        rows[:, k] = dt**k - base**k
    return rows


def _half_widths(law: Law, at_c: Array, limits: Limits) -> Array:
    rows = _rows(law, at_c, limits)
    variances = np.einsum("ij,jk,ik->i", rows, law.fit.covariance, rows)
    return np.asarray(law.fit.quantile() * np.sqrt(np.maximum(variances, 0.0)))


def _worst(law: Law, at_c: Array, limits: Limits) -> Promise:
    assert limits.stability_ppm is not None
    assert limits.range_c is not None
    low, high = limits.range_c
    swing = _rows(law, at_c, limits) @ law.fit.coefficients
    worst = int(np.argmax(np.abs(swing)))
    half = float(_half_widths(law, at_c[worst : worst + 1], limits)[0])
    measured = law.seen[0] <= low and high <= law.seen[1]
    text = (
        f"largest change {format_ppm(float(swing[worst]), half)} +- "
        f"{format_u_ppm(half)} ppm at {at_c[worst]:.1f} C "
        f"of {as_stated(limits.stability_ppm)} ppm promised"
    )
    if not measured:
        text += (
            f"; measured only from {law.seen[0]:.1f} to {law.seen[1]:.1f} C, the rest "
            f"of {as_stated(low)} to {as_stated(high)} C is extrapolated"
        )
    at, size = float(at_c[worst]), abs(float(swing[worst]))
    return Promise(
        limit_ppm=limits.stability_ppm,
        worst_ppm=size,
        at_c=at,
        u_ppm=half,
        measured=measured,
        text=text,
    )


# --- the temperature law of a source from a run: line, parabola or cubic, with lag
#
# The device follows ambient with a thermal lag (first order), which is fitted too; what
# is not known of it is in the intervals (`bodylaw`). Ageing can be fitted in one go.


# definition: of the polynomials
DEGREES: Final = {"line": 1, "parabola": 2, "cubic": 3}
_TOO_FAST: Final = (
    "NOT TO BE TRUSTED: ambient jumped, and the device followed faster than it was "
    "measured; change the temperature slowly, or measure faster"
)
_ONE_JUMP: Final = (
    "NOT TO BE TRUSTED: ambient jumped once and did nothing else, so that a curve of "
    "the law cannot be told from the way the device follows; go back, or go slowly"
)
_TWO_LAGS: Final = (
    "NOT TO BE TRUSTED: a part of the device follows the thermometer by another lag "
    "than the rest; hold each temperature until the device has settled, or put the "
    "thermometer onto it"
)
_NAMES: Final = ("linear", "quadratic", "cubic")
LEAST_SPAN_C: Final = 0.1  # our rule: less is what usual thermometers scatter


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureFit:
    """A fitted temperature law about `reference_c`.

    `turning_c` is the turnover of a parabola or the inflection of a cubic, with its
    95 % interval, None where the law has none or it cannot be told. `low_c` to `high_c`
    is what the device went through, lagging behind ambient, and so the range that the
    law was measured in; `ambient_c` what the thermometer read, lowest and highest. What
    is left over is that of means over `residual_over_s`. `trusted` is whether the model
    of the body holds, by what the data show; `notes` say why it does not.
    """

    law: str
    reference_c: float
    coefficients: tuple[Estimate, ...]
    ageing: Estimate | None
    turning_c: Estimate | None
    lag_s: float
    low_c: float
    high_c: float
    ambient_c: tuple[float, float]
    r2: float
    residual_ppm_rms: float
    residual_over_s: float
    noise: str
    promise: Promise | None
    notes: tuple[str, ...]
    trusted: bool = True

    @property
    def range_text(self) -> str:
        """Say over which temperatures the law was measured."""
        said = f"from {self.low_c:.1f} to {self.high_c:.1f} C"
        if not self.lag_s:
            return said
        low, high = self.ambient_c
        return (
            f"{said} of the device, {format_duration(self.lag_s)} behind the "
            f"thermometer's {low:.1f} to {high:.1f} C"
        )


@dataclass(frozen=True, slots=True)
class TemperatureData:
    """Readings with known ambient: times in s, C, offset in ppm; equal lengths.

    `thermometer_u_c` is the standard uncertainty stated of the thermometer, None where
    none is: `ASSUMED_U_C` is taken then.
    """

    t_s: Array
    ambient_c: Array
    offset_ppm: Array
    thermometer_u_c: float | None = None


def law_of(kind: Kind) -> str:
    """Return the law that is usual for a kind of source."""
    return kind_law(kind).law


def fit_temperature(
    data: TemperatureData,
    law: str,
    *,
    reference_c: float = 25.0,
    with_ageing: bool = False,
    limits: Limits | None = None,
) -> TemperatureFit:
    """Fit offset = f0 + sum c_k (T - reference)^k, T lagging ambient.

    Raises DataError for an unknown law, too few values, or a temperature that varied
    by less than 0.1 C or not independently of time where ageing is fitted too.
    """
    if law not in DEGREES:
        raise DataError(f"no temperature law {law!r}; line, parabola or cubic")
    t_s, ambient, ppm = _usable(data)
    read_c = float(ambient.min()), float(ambient.max())
    degree = DEGREES[law]
    body = fit_body_law(t_s, ambient, ppm, LawTerms(degree, reference_c, with_ageing))
    u_c, told = thermometer(data.thermometer_u_c)
    found, lag_s = by_thermometer(body.fit, degree, u_c), body.lag_s
    names = _NAMES[:degree]
    coefficients = tuple(
        _estimate(found, k + 1, name, f"ppm/C^{k + 1}" if k else "ppm/C")
        for k, name in enumerate(names)
    )
    drift = _estimate(found, degree + 1, "drift", "ppm/day") if with_ageing else None
    seen = (float(body.body_c.min()), float(body.body_c.max()))
    promise, said = promise_of(Law(found, degree, reference_c, seen), limits)
    odd = [] if body.one_lag else [_TWO_LAGS]
    odd += [_ONE_JUMP] if body.one_jump and degree > 1 else []
    odd += [] if body.followed else [_TOO_FAST]
    notes = [said, told] if said else [told]
    return TemperatureFit(
        law=law,
        reference_c=reference_c,
        coefficients=coefficients,
        ageing=drift,
        turning_c=_turning(found, degree, reference_c),
        lag_s=lag_s,
        low_c=seen[0],
        high_c=seen[1],
        ambient_c=read_c,
        r2=found.r2,
        residual_ppm_rms=found.residual_rms,
        residual_over_s=body.means_s,
        noise=found.noise,
        promise=promise,
        notes=(*notes, *_notes(t_s, lag_s, coefficients[-1], seen[1] - seen[0]), *odd),
        trusted=not odd,
    )


def _usable(data: TemperatureData) -> tuple[Array, Array, Array]:
    known = np.isfinite(data.ambient_c) & np.isfinite(data.offset_ppm)
    t_s, ambient, ppm = data.t_s[known], data.ambient_c[known], data.offset_ppm[known]
    if len(t_s) < 8:
        raise DataError(
            f"{len(t_s)} readings with known ambient temperature: at least 8 are needed"
        )
    if np.any(np.diff(t_s) <= 0):
        raise DataError("times must rise to fit a temperature law")
    if float(np.ptp(ambient)) < LEAST_SPAN_C:
        raise DataError(
            f"ambient varied by {np.ptp(ambient):.2f} C: too little for a law"
        )
    return t_s, ambient, ppm


def _estimate(found: LinearFit, index: int, name: str, unit: str) -> Estimate:
    row = np.zeros(len(found.coefficients))
    row[index] = 1.0
    value, half = float(found.coefficients[index]), found.half_width(row)
    return Estimate(
        name=name,
        unit=unit,
        value=value,
        low=value - half,
        high=value + half,
        u=float(found.u[index]),
    )


def _turning(found: LinearFit, degree: int, reference_c: float) -> Estimate | None:
    """Turnover -c1/(2 c2) of a parabola, inflection -c2/(3 c3) of a cubic."""
    if degree < 2:
        return None
    factor = 2.0 if degree == 2 else 3.0
    low, high = found.coefficients[degree - 1], found.coefficients[degree]
    row = np.zeros(len(found.coefficients))
    row[degree] = 1.0
    if abs(high) <= found.half_width(row):
        return None  # the leading coefficient may be zero: it could lie anywhere
    value = -float(low / (factor * high))
    gradient = np.zeros(len(found.coefficients))
    gradient[degree - 1] = -1.0 / (factor * high)
    gradient[degree] = -value / high
    half = found.half_width(gradient)
    u = math.sqrt(max(0.0, float(gradient @ found.covariance @ gradient)))
    at = reference_c + value
    name = "turnover" if degree == 2 else "inflection"
    return Estimate(name=name, unit="C", value=at, low=at - half, high=at + half, u=u)


def _notes(t_s: Array, lag_s: float, leading: Estimate, span_c: float) -> list[str]:
    notes = []
    if leading.low <= 0.0 <= leading.high:
        notes.append(
            f"over {three_digits(span_c)} C the {leading.name} term cannot be told "
            "from zero: "
            "a simpler law says as much, or a wider span is needed"
        )
    if lag_s > float(t_s[-1] - t_s[0]) / 8.0:
        notes.append("the thermal lag is long against the run: measure longer")
    return notes
