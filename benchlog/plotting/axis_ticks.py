"""Round numbers along an axis, and how they are printed."""

import math
from dataclasses import dataclass
from typing import Final

_UNITS: Final = ((2 * 86_400.0, 86_400.0, "days"), (7_200.0, 3_600.0, "h"))
_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0, 20.0)
_ROWS_APART: Final = (3, 2, 4)
_CLOCK_STEPS: Final = {
    "s": (1, 2, 5, 10, 15, 20, 30),
    "min": (1, 2, 5, 10, 15, 20, 30),
    "h": (1, 2, 3, 6, 12, 24),
    "days": (1, 2, 5, 7, 14),
}
_ENDS: Final = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


@dataclass(frozen=True, slots=True)
class Axis:
    """A stretch of values with the round ones to label, and their decimals."""

    low: float
    high: float
    ticks: tuple[float, ...]
    decimals: int

    def label(self, value: float) -> str:
        """Print a tick with its sign; zero has none."""
        text = f"{value:+,.{self.decimals}f}"
        return text.lstrip("+-") if float(text.replace(",", "")) == 0.0 else text


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """A stretch of time in s, its labelled moments, and the unit they are in."""

    begin_s: float
    end_s: float
    ticks: tuple[tuple[float, str], ...]
    unit: str


def round_step(rough: float) -> float:
    """Return the smallest of 1, 2, 2.5, 5 times a power of ten, not below `rough`."""
    if not rough > 0 or not math.isfinite(rough):
        return 1.0
    power = 10.0 ** math.floor(math.log10(rough))
    return next(s * power for s in _STEPS if s * power >= rough * (1 - 1e-9))


def value_axis(low: float, high: float, rows: int) -> Axis:
    """Return an axis of `rows` lines that holds `low` to `high`, labels evenly apart.

    The middle of every line is a round fraction of the step between labels: labels are
    exact where they stand, and the picture does not move with every reading.
    """
    low, high = _widened(low, high)
    found = [_evenly(low, high, rows, apart) for apart in _ROWS_APART]
    quantum, step, bottom = min(found, key=lambda one: one[0])
    top = bottom + rows - 1
    first = math.ceil(bottom * quantum / step - 1e-9)
    last = math.floor(top * quantum / step + 1e-9)
    return Axis(
        (bottom - 0.5) * quantum,
        (top + 0.5) * quantum,
        tuple(n * step for n in range(first, last + 1)),
        _decimals(step),
    )


def _widened(low: float, high: float) -> tuple[float, float]:
    """Leave a little air; give values that are all alike a stretch of their own."""
    span = high - low
    smallest = max(abs(low), abs(high), 1.0) * 1e-12
    if span <= smallest:
        span = max(abs(high) * 1e-9, 1e-3, smallest * 10)
    air = span * (0.04 if high > low else 0.5)
    return low - air, high + air


def _evenly(low: float, high: float, rows: int, apart: int) -> tuple[float, float, int]:
    """Return what a line is worth, the step, and the lowest line, in lines from 0."""
    step = round_step((high - low) * apart / rows)
    while True:
        quantum = step / apart
        bottom = math.floor(low / quantum + 0.5)
        spare = math.floor((bottom + rows - 0.5) - high / quantum)
        if spare >= 0:
            return quantum, step, bottom - spare // 2
        step = round_step(step * 1.01)


def _decimals(step: float) -> int:
    """Return the decimals that a multiple of `step` needs."""
    least = max(0, -math.floor(math.log10(step) + 1e-9))
    return (
        least if abs(step * 10**least - round(step * 10**least)) < 1e-9 else least + 1
    )


def time_axis(begin_s: float, end_s: float, ticks: int) -> TimeAxis:
    """Return an axis of elapsed time with about `ticks` labels in s, min, h or days."""
    span_s = max(end_s - begin_s, 1e-6)
    scale, unit = _unit(end_s)
    step = _clock_step(span_s / scale / max(1, ticks), unit)
    decimals = _decimals(step)
    first = math.ceil(begin_s / scale / step - 1e-9)
    last = math.floor(end_s / scale / step + 1e-9)
    marks = tuple(
        (n * step * scale, f"{n * step:,.{decimals}f}") for n in range(first, last + 1)
    )
    return TimeAxis(begin_s, end_s, marks, unit)


def round_end_s(end_s: float) -> float:
    """Return a round time not before `end_s`: where a growing chart ends.

    The chart then keeps still while it fills, instead of shrinking at every reading.
    """
    if end_s <= 10.0:
        return 10.0
    scale = next((s for s in (86_400.0, 3_600.0, 60.0) if end_s >= 2 * s), 1.0)
    power = 10.0 ** math.floor(math.log10(end_s / scale))
    return next(e * power * scale for e in (*_ENDS, 12.0) if e * power * scale >= end_s)


def _unit(end_s: float) -> tuple[float, str]:
    for above_s, scale, unit in _UNITS:
        if end_s > above_s:
            return scale, unit
    return (60.0, "min") if end_s > 120.0 else (1.0, "s")


def _clock_step(rough: float, unit: str) -> float:
    """Return a step as people divide time; round numbers below and beyond those."""
    steps = _CLOCK_STEPS[unit]
    if rough <= steps[0] / 2 or rough > steps[-1]:
        return round_step(rough)
    return float(next(step for step in steps if step >= rough))
