"""How soon a reading may follow on the one before, and how far apart readings are."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import Sample
from benchlog.units import NS_PER_S, as_stated, format_duration, small_time

_PACE: Final = 0.9
"""Of its gate that must pass from reading to reading, in the long run; our rule: a gate
is as long as it is said to be within a tenth."""
_EARLY_S: Final = 0.05
"""Real seconds that one may come early; our rule (stamps of a busy host: 5 ms)."""
_BACKLOG_S: Final = 10.0
"""Real seconds of readings that may come at once after a stall; our rule."""


class GatePace:
    """Tells readings that come faster than their gate allows.

    What counts is the time that all gates so far take together, not one pair: a busy
    host stamps late, and what waited in a buffer comes at once. `real_s` are the real
    seconds in one of the bench.
    """

    def __init__(self, real_s: float) -> None:
        self._early_ns = _EARLY_S / real_s * NS_PER_S
        self._backlog_ns = _BACKLOG_S / real_s * NS_PER_S
        self._due_ns: float | None = None
        self._last_ns = 0

    def too_soon(self, sample: Sample) -> str:
        """Return why a sample cannot be a reading of its gate; empty where it can."""
        least_ns = _PACE * sample.gate_s * NS_PER_S
        due_ns = self._due_ns
        if due_ns is not None and sample.mono_ns < due_ns - self._early_ns:
            after_s = (sample.mono_ns - self._last_ns) / NS_PER_S
            return (
                f"it came {small_time(after_s)} after the one before it and its gate "
                "is "
                f"{as_stated(sample.gate_s)} s: the counter repeats itself, or "
                "gate_s is not "
                "its gate"
            )
        self._last_ns = sample.mono_ns
        if due_ns is None:
            due_ns = float(sample.mono_ns)
        self._due_ns = max(due_ns, sample.mono_ns - self._backlog_ns) + least_ns
        return ""

    def all_in_time(self, mono_ns: NDArray[np.int64], gate_s: float) -> bool:
        """Whether none of several samples of one gate is too soon, as `too_soon` tells.

        They are taken in where none is; else nothing was, and each is to be asked of.
        """
        least_ns = _PACE * gate_s * NS_PER_S
        due_ns = float(mono_ns[0]) if self._due_ns is None else self._due_ns
        gates = np.arange(1, len(mono_ns) + 1) * least_ns
        # what is due behind each of them, had it been asked of alone
        behind = np.maximum.accumulate(mono_ns - self._backlog_ns - gates + least_ns)
        due = np.maximum(due_ns, behind) + gates
        before = np.concatenate(([due_ns], due[:-1]))
        if not bool((mono_ns >= before - self._early_ns).all()):
            return False
        self._last_ns, self._due_ns = int(mono_ns[-1]), float(due[-1])
        return True


# --- how far apart accepted readings are

# real seconds beyond the usual before it is worth an event; our rule
_HELD_UP_S: Final = 0.5


class ReadingSpacing:
    """How far apart readings that follow on each other usually are.

    `real_s` are the real seconds in one of the bench.
    """

    def __init__(self, real_s: float) -> None:
        self._usual_ns = 0.0
        self._slack_s = _HELD_UP_S / real_s

    def learn(self, spacing_ns: int) -> None:
        """Note one spacing; a long one counts as twice the usual at most."""
        usual = self._usual_ns or spacing_ns
        self._usual_ns = usual + 0.1 * (min(spacing_ns, 2 * usual) - usual)

    def held_up(
        self, previous_ns: int, sample: Sample, *, keeper_away: bool = False
    ) -> str:
        """Return what is to be said where a sample comes so late that others must miss.

        Never before a spacing is known. `keeper_away`: the keeper was, in the meantime.
        """
        late_s = (sample.mono_ns - previous_ns) / NS_PER_S
        usual_s = self._usual_ns / NS_PER_S
        least_s = max(2 * usual_s, usual_s + self._slack_s)
        if usual_s <= 0 or late_s < least_s:
            return ""
        without = format_duration(max(0.0, late_s - sample.gate_s))
        who = "the keeper itself" if keeper_away else "computer or instrument"
        return f"{without} without a reading: {who} was held up"
