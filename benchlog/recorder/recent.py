"""The newest readings of a run: how it stands now, and whether it stepped."""

from collections import deque
from itertools import pairwise
from statistics import median
from typing import Final

import numpy as np

from benchlog.analysis.steps import BLOCK, SPAN, Step, StepWatch
from benchlog.model import Flag, Reading
from benchlog.recorder.around import Around
from benchlog.units import NS_PER_S

_KEPT: Final = 64
_OFFSET_OF: Final = 8
_JITTER_OF: Final = 16
_DIGITS: Final = 4  # a step must be this many of the counter's last digit
_BEFORE_S: Final = 10.0
_SHARP: Final = 0.5  # of a step, that lies between two readings


class Recent:
    """What alarms and the step watch go by; offsets in ppm of nominal, uncorrected."""

    def __init__(self, nominal_hz: float, divider: float) -> None:
        self._nominal_hz, self._divider = nominal_hz, divider
        self._kept: deque[tuple[float, float]] = deque(maxlen=_KEPT)
        self._steps = StepWatch()
        self.around = Around()

    def add(self, reading: Reading, resolution_hz: float | None) -> Step | None:
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
            self.around.ambient(t_s, reading.ambient_c)
        step = self._steps.feed(t_s, ppm)
        return None if step is None or self._rose(step) else step

    def since_s(self, step: Step) -> float:
        """Return from when on what may have caused a step is to be looked for."""
        span_s = step.before_s - step.after_s
        return step.after_s - max(_BEFORE_S, 2 * span_s)

    def _rose(self, step: Step) -> bool:
        """Whether it is a smooth rise after a change of ambient, and so no step."""
        if not self.around.ambient_moved(self.since_s(step)):
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
