"""What is plausible is decided here, once, for every driver; repeats are counted."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import Flag, PositionSpec, Reading, RunPlan, Sample
from benchlog.store.snapshot_types import LARGEST, LEAST_POSITIVE
from benchlog.units import (
    as_stated,
    format_frequency,
    printable,
)

# common practice, no source
MULTIPLES: Final = (2.0, 0.5, 10.0, 0.1, 4.0, 0.25, 100.0, 0.01)
"""Ratios to nominal that point to a divider or a trigger level, not to the device."""
_LEAST_SPREAD: Final = 0.02  # our rule: 2 %, where the part's tolerance is less
# a float64 holds this many decimal digits without loss; definition
_RAW_DIGITS: Final = 15


@dataclass(frozen=True, slots=True)
class Rejected:
    """A sample that cannot be a reading, and why, in words with the numbers.

    Of values that are refused for the same cause, `alike`, the first is told and the
    others are counted, however they differ.
    """

    reason: str
    alike: str = ""


def accept(
    sample: Sample, previous_mono_ns: int | None, flags: Flag, ambient_c: float | None
) -> Reading | Rejected:
    """Turn a frequency sample into a reading, or say why it cannot be one."""
    fault = fault_of(sample, previous_mono_ns)
    if fault:
        return Rejected(fault)
    return Reading(
        utc_ns=sample.utc_ns,
        mono_ns=sample.mono_ns,
        gate_s=sample.gate_s,
        frequency_hz=sample.value,
        ambient_c=ambient_c,
        flags=flags,
        raw=kept_text(sample),
    )


def fault_of(sample: Sample, previous_mono_ns: int | None) -> str:
    """Return why a frequency sample is impossible, empty when it is not."""
    if sample.unit != "Hz":
        return f"unit is {sample.unit!r} where Hz was promised"
    if beyond := why_beyond(sample.value):
        return beyond
    if sample.value <= 0:
        return f"not above zero: {sample.value!r} Hz"
    if sample.value < LEAST_POSITIVE or 0 < sample.gate_s < LEAST_POSITIVE:
        what = f"{sample.value!r} Hz in a gate of {sample.gate_s!r} s"
        return f"{what}: nothing is so small"
    if previous_mono_ns is not None and sample.mono_ns <= previous_mono_ns:
        late_ns = previous_mono_ns - sample.mono_ns
        return f"time not increasing: {late_ns} ns before the reading before it"
    return ""


def why_beyond(value: float) -> str:
    """Return why no figure can be made of a value, empty where one can."""
    if not math.isfinite(value):
        return "not finite"
    return "" if abs(value) <= LARGEST else f"{value!r}: nothing is so large"


def suspected_multiple(
    frequency_hz: float, expected_hz: float, tolerance_ppm: float
) -> float | None:
    """Return the simple multiple of `expected_hz` that a reading lies near, if any.

    Near means within 1.5 times the part's tolerance, at least 2 %. Common practice, no
    source: twice or half nominal means trigger level, ringing or a forgotten divider.
    """
    spread = max(_LEAST_SPREAD, 1.5e-6 * tolerance_ppm)
    ratio = frequency_hz / expected_hz
    if abs(ratio - 1) <= spread:
        return None
    near = [m for m in MULTIPLES if abs(ratio / m - 1) <= spread]
    return min(near, key=lambda m: abs(ratio / m - 1)) if near else None


class MultipleNews:
    """Says once when a device begins to read near a multiple of what is expected."""

    def __init__(self, expected_hz: float, tolerance_ppm: float) -> None:
        self._expected_hz, self._tolerance_ppm = expected_hz, tolerance_ppm
        self.suspected: float | None = None

    def of(self, frequency_hz: float) -> str:
        """Return what is to be said of a frequency, empty if nothing is new."""
        multiple = suspected_multiple(
            frequency_hz, self._expected_hz, self._tolerance_ppm
        )
        before, self.suspected = self.suspected, multiple
        if multiple is None or multiple == before:
            return ""
        expected = format_frequency(self._expected_hz)
        return (
            f"reads near {as_stated(multiple)} times {expected}: check divider "
            "and trigger level"
        )


_SPAN: Final = 100.0  # our rule: no device of a part is so many tolerances off
_LEAST_SPAN_PPM: Final = 100.0  # our rule: an oven that warms up is less far off
_TRIAL_SPAN_PPM: Final = 1e6  # our rule: a trim code changes less than by half
_MOST_SPAN_PPM: Final = 1e9  # our rule: a thousand times, where nothing is known
_QUIET: Final = 10  # our rule: far readings not so far apart are told together


def span_ppm(tolerance_ppm: float, stated_ppm: float | None, *, trial: bool) -> float:
    """Return how far from nominal a reading is plausible, as the bench states or not.

    100 times the tolerance; during the trial of codes at least half or twice nominal.
    """
    if stated_ppm is not None:
        return stated_ppm
    least = _TRIAL_SPAN_PPM if trial else _LEAST_SPAN_PPM
    return min(max(_SPAN * tolerance_ppm, least), _MOST_SPAN_PPM)


def is_far(frequency_hz: float, expected_hz: float, within_ppm: float) -> bool:
    """Whether a reading is above `expected_hz` by more, or below by as large a ratio.

    A span of 1e6 ppm is twice or half: below zero there is nothing.
    """
    ratio, most = frequency_hz / expected_hz, 1 + within_ppm * 1e-6
    return not 1 / most <= ratio <= most


class Plausibility:
    """Marks readings that no device of the part can give, and tells when they begin.

    Such a reading is kept. What may have made it: the answer to another question, a
    damaged line, another part; near a simple multiple of nominal, divider or trigger.
    """

    def __init__(self, plan: RunPlan, position: PositionSpec) -> None:
        self._expected_hz = plan.part.nominal_hz / position.divider
        self._tolerance_ppm = plan.part.limits.tolerance_ppm
        self._stated_ppm = position.span_ppm
        self._multiples = MultipleNews(self._expected_hz, self._tolerance_ppm)
        self._near_since_far = _QUIET

    def of(
        self, frequency_hz: float, *, trial: bool, settling: bool
    ) -> tuple[Flag, str]:
        """Return the flags of a reading and what is to be said of it, if anything.

        `trial`: codes are tried; `settling`: the device was just put in, so that
        nothing is said yet.
        """
        if not 0 < frequency_hz < math.inf:
            return Flag.NONE, ""
        said = self._multiples.of(frequency_hz)
        if self._multiples.suspected:
            return Flag.SUSPECT, said
        within_ppm = span_ppm(self._tolerance_ppm, self._stated_ppm, trial=trial)
        if not is_far(frequency_hz, self._expected_hz, within_ppm):
            self._near_since_far += 1
            return Flag.NONE, ""
        news = self._near_since_far >= _QUIET and not settling
        if not settling:
            self._near_since_far = 0
        return Flag.SUSPECT | Flag.FAR, self._text(frequency_hz) if news else ""

    def all_near(self, frequency_hz: NDArray[np.float64], *, trial: bool) -> bool:
        """Whether no flag and no word is due to any of several finite frequencies.

        They are taken in where that is so; else nothing was: ask of each.
        """
        ratio = frequency_hz / self._expected_hz
        low, high = float(ratio.min()), float(ratio.max())
        within_ppm = span_ppm(self._tolerance_ppm, self._stated_ppm, trial=trial)
        spread = max(_LEAST_SPREAD, 1.5e-6 * self._tolerance_ppm)
        most = 1 + within_ppm * 1e-6
        if not (max(1 - spread, 1 / most) <= low and high <= min(1 + spread, most)):
            return False
        self._multiples.suspected = None
        self._near_since_far += len(frequency_hz)
        return True

    def _text(self, frequency_hz: float) -> str:
        read = format_frequency(float(f"{frequency_hz:.5g}"))
        expected = format_frequency(self._expected_hz)
        span = f"{as_stated(_SPAN)} times the tolerance"
        if self._stated_ppm is not None:
            span = f"the span of {as_stated(self._stated_ppm)} ppm"
        return (
            f"reads {read} where {expected} is expected, beyond {span}: the answer to "
            "another question, a damaged line, or another part? Kept and marked"
        )


def kept_text(sample: Sample) -> str | None:
    """Return the instrument's own text where the number alone would lose something.

    That is: another quantity (a period) or more digits than a float64 carries. Text
    that reads back as exactly the stored number is not stored twice.
    """
    text = printable(sample.raw.decode("ascii", errors="backslashreplace").strip())
    if not text:
        return None
    digits = sum(ch.isdigit() for ch in text.upper().split("E")[0])
    try:
        same = float(text) == sample.value
    except ValueError:
        same = False
    return None if same and digits <= _RAW_DIGITS else text
