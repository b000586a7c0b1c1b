"""Waiting inside a simulated instrument: on bench time, and never for somebody gone."""

import ctypes
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from benchlog.clock import Clock, host_deadline, host_sleep
from benchlog.units import NS_PER_S

_SLICE_S: Final = 0.05  # real seconds between two looks at whether to give up; our rule
_EARLY_S: Final = 40e-6  # our rule: see below, on a usual computer
"""Waking a sleeper takes about this long; a gate of a millisecond would be 4 % too
long. What is left after waking early is awaited awake."""
_PR_SET_TIMERSLACK: Final = 29  # source: linux/prctl.h


class AbandonedError(Exception):
    """Nobody waits for the answer any more: the client left or the server stops."""


def sharpen() -> None:
    """Let this thread's sleeps end on time: Linux pads them by 50 us otherwise."""
    prctl = getattr(ctypes.CDLL(None), "prctl", None)
    if prctl is not None:
        prctl(_PR_SET_TIMERSLACK, 1_000, 0, 0, 0)


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
            if 0 < real_s <= _EARLY_S:
                continue
            if real_s > _SLICE_S:
                self.check()
            share = 1.0
            if real_s > 0:
                share = min(real_s - _EARLY_S, _SLICE_S) / real_s
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
