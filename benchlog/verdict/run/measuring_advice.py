"""Which gate and how long a counter and its reference need for a given limit.

A reading should be read to a tenth of the limit, so that a single one already tells,
and what it is read by should be known to a quarter of it (4:1); both common practice.
What a counter reads by is seen in its readings: the steps they move in and their
scatter. The digits of its text are often more than it measures.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchlog.model import ReferenceSpec, Sample
from benchlog.units import as_stated, format_duration, three_digits
from benchlog.verdict.run.budget import COVERAGE
from benchlog.verdict.run.pulse_timing import ASSUMED_PULSE_S

LIMITS_PPM: Final = (30.0, 10.0, 1.0, 0.1)  # our rule: from coarse to fine parts
"""Limits that advice is given for when none is asked for."""
GATES_S: Final = (0.01, 0.1, 1.0, 10.0, 100.0)  # common practice, no source: decades
SHARE: Final = 10.0  # common practice, see above
TYPICAL_STAMP_S: Final = 1e-4
"""Scatter of stamps on a quiet computer; measured: tests/drivers/STAMPS.md."""
NETWORK_STAMP_S: Final = 3e-3
"""The same over `rfc2217://` where the far end looks every 10 ms; measured: there."""
FEWEST_READINGS: Final = 10  # our rule: fewer show no noise
MOST_READINGS: Final = 10  # our rule: the scatter is then known to a quarter (1 sd)
_QUICK_S: Final = 4.0  # our rule: in which more are read, to see how the counter counts
_QUICK: Final = 100  # our rule: their correlation is then known to 0.1 (1 sd)
_LEAST_READINGS: Final = 4  # our rule: three differences are the least that tell
_TIME_S: Final = 30.0  # our rule: nobody waits longer for advice
_RATIO: Final = 4.0  # common practice, see above


@dataclass(frozen=True, slots=True)
class Advice:
    """What a limit asks for.

    `gate_s` is None when no gate will do; `fine_enough` is whether the time base is
    known well enough, None when that is not known.
    """

    limit_ppm: float
    gate_s: float | None
    fine_enough: bool | None

    @property
    def text(self) -> str:
        """Say it in a few words."""
        if self.gate_s is None:
            said = "too fine for this counter"
        else:
            said = format_duration(self.gate_s)
        coarse = ", time base too coarse" if self.fine_enough is False else ""
        return f"{as_stated(self.limit_ppm)} ppm: {said}{coarse}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenResolution:
    """What some readings show of how finely they are read, at their gate.

    `digit_ppm` is the smallest step between two of them, at least the last digit of
    their text; None when they do not tell: all are alike, and that digit is finer than
    one period in a gate. `scatter_ppm` is the standard deviation of one reading, from
    successive differences.
    """

    n: int
    gate_s: float
    digit_ppm: float | None
    scatter_ppm: float

    @property
    def text(self) -> str:
        """Say it in a few words."""
        gate = format_duration(self.gate_s)
        if self.n < _LEAST_READINGS:
            return f"{self.n} of at least {_LEAST_READINGS} readings: too few to tell"
        if self.digit_ppm is None:
            return (
                f"all {self.n} readings at {gate} are alike to the last digit of their "
                "text: they do not show what this counter resolves"
            )
        return (
            f"{self.n} readings at {gate} move in steps of "
            f"{three_digits(self.digit_ppm)} ppm and scatter "
            f"{three_digits(self.scatter_ppm)} ppm (sd)"
        )


def readings_wanted(sample: Sample) -> int:
    """Return how many readings advice takes, by the first of them.

    Ten, or as many as fit into 30 s and four at least; up to a hundred where they take
    no more than 4 s; one where none is given.
    """
    if sample.unit != "Hz" or not sample.step or not sample.gate_s:
        return 1
    fit = int(_TIME_S / sample.gate_s)
    return max(_LEAST_READINGS, min(MOST_READINGS, fit), quick_readings(sample))


def quick_readings(sample: Sample) -> int:
    """Return how many readings, a hundred at most, fit into 4 s; one at least."""
    fit = int(_QUICK_S / sample.gate_s) if sample.gate_s else 1
    return max(1, min(_QUICK, fit))


def seen_resolution(samples: Sequence[Sample]) -> SeenResolution | None:
    """Return what readings of one gate show; None where they are no readings in Hz."""
    first = samples[0] if samples else None
    if first is None or first.unit != "Hz" or not first.step or not first.gate_s:
        return None
    hz = np.array([one.value for one in samples], float)
    if not (np.isfinite(hz).all() and (hz > 0.0).all()):
        return None
    to_ppm = 1e6 / float(hz.mean())
    steps = np.diff(np.unique(hz))
    shown = steps[steps > first.step / 2]  # less is how float64 holds the last digit
    digit_hz: float | None = first.step
    if len(shown):
        digit_hz = max(first.step, float(shown.min()))
    elif first.step * first.gate_s < 0.5:
        digit_hz = None
    moved = np.diff(hz)
    scatter_hz = math.sqrt(float((moved**2).mean()) / 2) if len(moved) else 0.0
    return SeenResolution(
        n=len(hz),
        gate_s=first.gate_s,
        digit_ppm=None if digit_hz is None else digit_hz * to_ppm,
        scatter_ppm=scatter_hz * to_ppm,
    )


def advise_seen(
    limit_ppm: float, seen: SeenResolution, timebase_u_ppm: float | None
) -> Advice | None:
    """Return the shortest gate that reads a limit well enough, by readings.

    None where the readings do not tell. `timebase_u_ppm` as in `advise`.
    """
    if seen.digit_ppm is None or seen.n < _LEAST_READINGS:
        return None
    return advise(
        limit_ppm, seen.digit_ppm, seen.gate_s, timebase_u_ppm, seen.scatter_ppm
    )


def advise(
    limit_ppm: float,
    step_ppm: float,
    gate_s: float,
    timebase_u_ppm: float | None,
    scatter_ppm: float = 0.0,
) -> Advice:
    """Return the shortest gate that reads a limit well enough.

    Parameters
    ----------
    step_ppm, gate_s : float
        What the counter's last digit is worth at the gate in use; at n times the gate
        it is worth an n-th, for a counter of either kind.
    timebase_u_ppm : float | None
        Standard uncertainty of the time base.
    scatter_ppm : float
        Standard deviation of one reading at that gate. It is taken to grow as the gate
        gets shorter (white phase noise, the trigger's, the worst that is usual) and to
        fall with the root of a longer one (white frequency noise), so that no gate is
        promised more than it will do.

    """
    wanted = limit_ppm / SHARE

    def is_enough(gate: float) -> bool:
        ratio = gate_s / gate
        scatter = scatter_ppm * (ratio if ratio > 1.0 else math.sqrt(ratio))
        return max(step_ppm * ratio, COVERAGE * scatter) <= wanted

    fine = None
    if timebase_u_ppm is not None:
        fine = _RATIO * COVERAGE * timebase_u_ppm <= limit_ppm
    return Advice(limit_ppm, next(filter(is_enough, GATES_S), None), fine)


def stamp_s(*addresses: str) -> float:
    """Return the scatter of stamps to be expected at the worst of these addresses."""
    far = any(one.startswith("rfc2217://") for one in addresses)
    return NETWORK_STAMP_S if far else TYPICAL_STAMP_S


def refcheck_advice(
    limit_ppm: float,
    reference: ReferenceSpec,
    gate_s: float = 1.0,
    stamp_s: float = TYPICAL_STAMP_S,
) -> str:
    """Say how long a reference check must be for a limit, as `1 ppm: 46 s`.

    Until U of the time base is a quarter of the limit: by what the reference itself is
    uncertain by at either end and, where this computer compares pulses, by stamps of
    `stamp_s` rms.
    """
    least_s = FEWEST_READINGS * max(gate_s, 1.0)
    if reference.u_ppm is not None:
        fine = _RATIO * COVERAGE * reference.u_ppm <= limit_ppm
        said = format_duration(least_s) if fine else "reference too coarse"
        return f"{as_stated(limit_ppm)} ppm: {said}"
    u_s = reference.u_s if reference.u_s is not None else ASSUMED_PULSE_S
    time_s = max(least_s, 2.0 * _RATIO * math.sqrt(2.0) * u_s * 1e6 / limit_ppm)
    if reference.pulses is not None:
        time_s = max(time_s, pulse_time_s(limit_ppm, stamp_s))
    return f"{as_stated(limit_ppm)} ppm: {format_duration(math.ceil(time_s))}"


def pulse_time_s(limit_ppm: float, jitter_s: float, spacing_s: float = 1.0) -> float:
    """Return how long two pulse trains must be compared for a limit.

    Until U is a quarter of the limit, by the slope of two trains of white stamps of
    this rms: u = sqrt(2) sigma sqrt(12 d) / T^1.5, d the spacing.
    """
    wanted = limit_ppm * 1e-6 / _RATIO
    u_at_1_s = math.sqrt(2.0) * jitter_s * math.sqrt(12.0 * spacing_s)
    return float((2.0 * u_at_1_s / wanted) ** (2.0 / 3.0))
