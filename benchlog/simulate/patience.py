"""Waiting inside a simulated instrument: on bench time, and never for somebody gone."""

import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from benchlog.clock import Clock, host_deadline, host_sleep
from benchlog.units import NS_PER_S

_SLICE_S: Final = 0.05  # real seconds between two looks at whether to give up
_TAIL_S: Final = 120e-6
"""The kernel wakes a sleeper up to about 60 us late; a gate of a millisecond would be
6 % too long. The last stretch gives way to others instead of sleeping."""


class AbandonedError(Exception):
    """Nobody waits for the answer any more: the client left or the server stops."""


def _never() -> bool:
    return False


@dataclass(frozen=True, slots=True)
class Patience:
    """How long to wait, and when to give up."""

    clock: Clock
    gone: Callable[[], bool] = _never

    def until(self, mono_ns: int) -> None:
        """Wait until bench time `mono_ns`. Raises AbandonedError."""
        while (left_ns := mono_ns - self.clock.mono_ns()) > 0:
            left_s = left_ns / NS_PER_S
            real_s = self.clock.real_s(left_s)
            if real_s <= _TAIL_S and real_s > 0:
                os.sched_yield()
                continue
            if real_s > _SLICE_S:
                self.check()
            share = 1.0
            if real_s > 0:
                share = min(real_s - _TAIL_S, _SLICE_S) / real_s
            self.clock.sleep(left_s * share)

    def real(self, seconds: float) -> None:
        """Wait real seconds, as a slow line makes one wait. Raises AbandonedError."""
        end = host_deadline(seconds)
        while not end.passed:
            self.check()
            host_sleep(min(end.left_s(), _SLICE_S))

    def breathe(self, bench_s: float) -> None:
        """Leave others a turn where a virtual clock makes waiting take no time."""
        self.check()
        if self.clock.real_s(bench_s) == 0:
            host_sleep(1e-3)

    def check(self) -> None:
        """Raise AbandonedError when nobody waits any more."""
        if self.gone():
            raise AbandonedError
