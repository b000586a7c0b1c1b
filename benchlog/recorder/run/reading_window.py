"""The newest readings of a run: whether it stepped, and what moved around the step."""

from collections import deque
from itertools import pairwise
from statistics import median
from typing import Final

import numpy as np

from benchlog.analysis.steps import (
    BLOCK,
    SPAN,
    FrequencyStep,
    StepWatch,
)
from benchlog.model import Flag, Reading
from benchlog.store.reading_block import ReadingBlock
from benchlog.units import NS_PER_S

KEPT: Final = 256  # our rule: bounds memory
_OF: Final = 3  # values whose median stands for before and for now; our rule
_AMBIENT_C: Final = 0.5  # our rule: as `_MOVED_C` of the response
_SUPPLY_V: Final = 0.05  # our rule: as `STEP_V` of the response
_UNTOLD: Final = "knocked, touched, or a change of its own"


class StepCause:
    """Feeds on values of a bench's probes; times are monotonic, s."""

    def __init__(self) -> None:
        self._ambient: deque[tuple[float, float]] = deque(maxlen=KEPT)
        self._supply: deque[tuple[float, float]] = deque(maxlen=KEPT)

    def ambient(self, t_s: float, value_c: float) -> None:
        """Take in an ambient temperature."""
        self._ambient.append((t_s, value_c))

    def supply(self, t_s: float, value_v: float) -> None:
        """Take in a supply voltage."""
        self._supply.append((t_s, value_v))

    def ambient_moved(self, since_s: float) -> bool:
        """Whether ambient has changed since then by what may move a source."""
        return _ends(self._ambient, since_s, _AMBIENT_C) is not None

    def cause(self, since_s: float) -> str:
        """Say what changed since then; else what a step may have come from."""
        said = []
        if ends := _ends(self._ambient, since_s, _AMBIENT_C):
            said.append(f"ambient went from {ends[0]:.1f} to {ends[1]:.1f} C")
        if ends := _ends(self._supply, since_s, _SUPPLY_V):
            said.append(f"the supply went from {ends[0]:.2f} to {ends[1]:.2f} V")
        if not said:
            return _UNTOLD
        return f"{' and '.join(said)} around it; if that is not why, {_UNTOLD}"


def _ends(
    values: deque[tuple[float, float]], since_s: float, least: float
) -> tuple[float, float] | None:
    """Return a quantity before a time and now where it has moved; None else."""
    before = [value for t_s, value in values if t_s < since_s][-_OF:]
    after = [value for t_s, value in values if t_s >= since_s]
    if not after:
        return None
    first = median(before) if before else after[0]
    last = median(after[-_OF:])
    return (first, last) if abs(last - first) >= least else None


# --- the newest readings of a run: how it stands now, and whether it stepped

# _KEPT, _OFFSET_OF, _JITTER_OF: our rule: how it stands now, for a person.
_KEPT: Final = 64
_OFFSET_OF: Final = 8
_JITTER_OF: Final = 16
_DIGITS: Final = (
    4  # a step must be this many of the counter's last digit; our rule: rounding is one
)
_BEFORE_S: Final = 10.0  # our rule: a hand comes some seconds before
_SHARP: Final = 0.5  # of a step, that lies between two readings; our rule


class ReadingWindow:
    """What alarms and the step watch go by; offsets in ppm of nominal, uncorrected."""

    def __init__(self, nominal_hz: float, divider: float) -> None:
        self._nominal_hz, self._divider = nominal_hz, divider
        self._kept: deque[tuple[float, float]] = deque(maxlen=_KEPT)
        self._steps = StepWatch()
        self.step_cause = StepCause()

    def add(
        self, reading: Reading, resolution_hz: float | None
    ) -> FrequencyStep | None:
        """Take in a reading; return a step that has become certain with it."""
        t_s = reading.mono_ns / NS_PER_S
        hz = reading.frequency_hz * self._divider
        ppm = (hz - self._nominal_hz) / self._nominal_hz * 1e6
        digit_hz = (resolution_hz or 0.0) * self._divider
        self._steps.least = _DIGITS * digit_hz / self._nominal_hz * 1e6
        if reading.flags & Flag.GAP_BEFORE:
            self._steps.gap()
        self._kept.append((t_s, ppm))
        if reading.ambient_c is not None:
            self.step_cause.ambient(t_s, reading.ambient_c)
        step = self._steps.feed(t_s, ppm)
        return None if step is None or self._rose(step) else step

    def add_block(
        self, block: ReadingBlock, resolution_hz: float | None
    ) -> FrequencyStep | None:
        """Take in a block as `add` does a reading; for steps its mean is one value."""
        mean = Reading(
            None,
            int(block.mono_ns.mean()),
            block.gate_s,
            float(block.frequency_hz.mean()),
            None if block.ambient_c is None else float(block.ambient_c[-1]),
            Flag(int(np.bitwise_or.reduce(block.flags))),
        )
        step = self.add(mean, resolution_hz)
        self._kept.pop()
        hz = block.frequency_hz[-_KEPT:] * self._divider
        ppm = (hz - self._nominal_hz) / self._nominal_hz * 1e6
        t_s = block.mono_ns[-_KEPT:] / NS_PER_S
        self._kept.extend(zip(t_s.tolist(), ppm.tolist(), strict=True))
        return step

    def since_s(self, step: FrequencyStep) -> float:
        """Return from when on what may have caused a step is to be looked for."""
        span_s = step.before_s - step.after_s
        return step.after_s - max(_BEFORE_S, 2 * span_s)

    def _rose(self, step: FrequencyStep) -> bool:
        """Whether it is a smooth rise after a change of ambient, and so no step."""
        if not self.step_cause.ambient_moved(self.since_s(step)):
            return False
        near = [ppm for _, ppm in list(self._kept)[-SPAN * BLOCK :]]
        largest = max((abs(b - a) for a, b in pairwise(near)), default=0.0)
        return largest < _SHARP * abs(step.size)

    @property
    def offset_ppm(self) -> float | None:
        """The median of the newest 8 readings."""
        if len(self._kept) < _OFFSET_OF:
            return None
        return median(ppm for _, ppm in list(self._kept)[-_OFFSET_OF:])

    @property
    def offsets_ppm(self) -> tuple[float, ...]:
        """The newest readings, at most 64, the newest last."""
        return tuple(ppm for _, ppm in self._kept)

    @property
    def jitter_ppm(self) -> float | None:
        """Standard deviation of the newest 16 to 64 readings about a straight line."""
        if len(self._kept) < _JITTER_OF:
            return None
        t, y = np.array(self._kept).T
        t, y = t - t.mean(), y - y.mean()
        slope = float(t @ y) / float(t @ t)
        rest = y - slope * t
        return float(np.sqrt(rest @ rest / (len(y) - 2)))
