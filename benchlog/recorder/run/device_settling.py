"""From when on readings count: the device was put in, and has settled."""

from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from statistics import median
from typing import Final

from benchlog.model import EventKind, Flag, Part, Purpose, Reading, RunPlan, Sample
from benchlog.units import NS_PER_S, format_duration
from benchlog.verdict.run.early_stop import SETTLING_READINGS, settled
from benchlog.verdict.run.limit import limit_for

MOST_READINGS: Final = 60  # our rule: see below
"""A device that has not settled by then is measured all the same, and it is said."""
_EVER: Final = 2**63 - 1  # definition: the largest time in ns
# JUMP_SHARE, JUMP_STEPS: our rule, no source.
JUMP_SHARE: Final = 0.05
JUMP_STEPS: Final = 20.0
"""A jump is larger than this share of the limit and so many usual steps from reading to
reading; our rule, no source."""


def jumped(offsets_ppm: Sequence[float], limit_ppm: float) -> bool:
    """Whether the frequency jumped and stayed: the device was changed, or knocked.

    A single odd reading among others is none, unless it is the last one.
    """
    if len(offsets_ppm) < SETTLING_READINGS:
        return False
    steps = [abs(b - a) for a, b in pairwise(offsets_ppm)]
    at = steps.index(max(steps)) + 1
    usual = median(steps)
    away = abs(median(offsets_ppm[at:]) - median(offsets_ppm[:at]))
    return min(away, steps[at - 1]) > max(JUMP_SHARE * limit_ppm, JUMP_STEPS * usual)


def gated_since(gated: Sample | Reading, before_ns: int | None, since_ns: int) -> bool:
    """Whether a gate began after a moment, however late its answer was read.

    A late answer has the time at which it was read, so its gate seems to have begun
    later than it did. But a gate is armed once the answer before it, at `before_ns`,
    has been read: that one must have come after the moment, too. None is no answer.
    """
    began_ns = gated.mono_ns - gated.gate_s * NS_PER_S
    return before_ns is not None and min(began_ns, before_ns) >= since_ns


class Settling:
    """Watches the first readings of a device.

    Parameters
    ----------
    part : Part
        Its nominal frequency and its limit.
    divider : float
        The counter sees the device's frequency divided by this.
    still : int
        Readings still to be taken once it has settled.

    """

    def __init__(self, part: Part, divider: float, still: int) -> None:
        self._part, self._divider, self._still = part, divider, still
        self._kept: deque[tuple[float, float]] = deque(maxlen=SETTLING_READINGS)
        self._first_ns: int | None = None
        self.n = 0
        self.over = False

    def observe(self, reading: Reading) -> tuple[EventKind, str] | None:
        """Take in a reading that does not count; say when it was the last of them."""
        began_ns = self._first_ns = self._first_ns or reading.mono_ns
        self.n += 1
        hz = reading.frequency_hz * self._divider
        ppm = (hz / self._part.nominal_hz - 1.0) * 1e6
        self._kept.append((reading.mono_ns / NS_PER_S, ppm))
        took = format_duration((reading.mono_ns - began_ns) / NS_PER_S + reading.gate_s)
        if self._has_settled(reading.ambient_c):
            self.over = True
            return EventKind.SETTLED, f"settled after {self.n} readings, {took}"
        if self.n >= MOST_READINGS:
            self.over = True
            said = f"had not settled after {self.n} readings, {took}"
            return EventKind.UNSETTLED, f"{said}; measured all the same"
        return None

    @property
    def wanted(self) -> int:
        """How many readings more it takes at least."""
        return 0 if self.over else max(1, SETTLING_READINGS - self.n)

    def _has_settled(self, ambient_c: float | None) -> bool:
        if len(self._kept) < SETTLING_READINGS:
            return False
        around = None if ambient_c is None else (ambient_c, ambient_c, ambient_c)
        limit = limit_for(self._part, around)
        times, offsets = zip(*self._kept, strict=True)
        spacing_s = (times[-1] - times[0]) / (SETTLING_READINGS - 1)
        still_s = self._still * spacing_s
        return not limit.known or settled(times, offsets, still_s, limit.ppm)


class FirstReadings:
    """Marks the readings that come before those that count.

    They are of another trim code, still show the device before, or come before the
    device has settled.

    Parameters
    ----------
    plan : RunPlan
        Its purpose and its part.
    divider : float
        The counter sees the device's frequency divided by this.
    still : int
        Readings still to be taken once it has settled.

    """

    def __init__(self, plan: RunPlan, divider: float, still: int) -> None:
        is_lot, is_trial = (plan.purpose is p for p in (Purpose.INSPECT, Purpose.TRIM))
        self._settling = Settling(plan.part, divider, still) if is_lot else None
        self._trial_until_ns = _EVER if is_trial else None
        self._stale_hz: float | None = None
        self._stale_n = 0

    def end_trial_at(self, mono_ns: int) -> None:
        """Let gates that begin from then on count: the code under test is set."""
        self._trial_until_ns = mono_ns

    def wait_for_fresh(self, stale_hz: float | None) -> None:
        """Let nothing count while the counter shows the value of the device before."""
        self._stale_hz = stale_hz if self._settling is not None else None

    def mark(
        self, reading: Reading, *, trial: bool
    ) -> tuple[Reading, tuple[EventKind, str] | None]:
        """Return a reading, marked where it does not count, and what is to be said."""
        marked = replace(reading, flags=reading.flags | Flag.SETTLING)
        if trial:
            return marked, None
        if self._settling is None or self._settling.over:
            return reading, None
        if self._stale_hz is not None:
            if reading.frequency_hz == self._stale_hz:
                return marked, self._not_fresh()
            self._stale_hz = None
        return marked, self._settling.observe(reading)

    def on_trial(self, sample: Sample, before_ns: int | None) -> bool:
        """Whether a gate may have begun before the code under test was set for good."""
        until_ns = self._trial_until_ns
        return until_ns is not None and not gated_since(sample, before_ns, until_ns)

    @property
    def settling(self) -> bool:
        """Whether the device was just put in and has not settled yet."""
        return self._settling is not None and not self._settling.over

    def _not_fresh(self) -> tuple[EventKind, str] | None:
        """Count a reading that still shows the device before; that ends one day."""
        self._stale_n += 1
        if self._stale_n < MOST_READINGS:
            return None
        self._stale_hz = None
        return EventKind.UNSETTLED, (
            f"the counter showed the value of the device before {self._stale_n} times "
            "after the exchange; measured all the same"
        )

    @property
    def left_out(self) -> int:
        """How many readings were marked: they are not in the figures."""
        return self._stale_n + (self._settling.n if self._settling else 0)

    @property
    def wanted(self) -> int:
        """How many readings more are sure to be marked."""
        return self._settling.wanted if self._settling else 0
