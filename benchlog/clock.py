"""The only place that asks what time it is, or sleeps.

Three clocks share one interface:

* the *real* clock;
* a *scaled* clock (`BENCHLOG_TIME_SCALE=60`): an hour of bench time passes in a
  minute. Every process derives it from the host's own clocks, so a keeper, its
  instruments and a simulated bench agree without speaking to each other;
* a *virtual* clock for tests in one process: sleeping moves it, nothing else does.

Bench time is what readings carry. Grace periods (how long a socket may take beyond
the gate) are real time and are never scaled: a computer does not get faster.
"""

import os
import time
from dataclasses import dataclass
from typing import Protocol

from benchlog.errors import UsageError
from benchlog.units import NS_PER_S

SCALE_VARIABLE = "BENCHLOG_TIME_SCALE"


class Clock(Protocol):
    """What the rest of benchlog may know of time."""

    def utc_ns(self) -> int:
        """Nanoseconds since 1970 UTC, as the host believes; may be stepped."""
        ...

    def mono_ns(self) -> int:
        """Bench time in ns on a clock that never steps; its zero means nothing."""
        ...

    def sleep(self, bench_s: float) -> None:
        """Wait for a stretch of bench time."""
        ...

    def real_s(self, bench_s: float) -> float:
        """Return how long a stretch of bench time takes on the host's own clock."""
        ...

    def deadline(self, bench_s: float, grace_s: float = 0.0) -> "Deadline":
        """Return the moment that lies `bench_s` of bench and `grace_s` real time on."""
        ...


@dataclass(frozen=True, slots=True)
class Deadline:
    """A moment on the host's monotonic clock; immune to wall-clock steps."""

    at_ns: int

    def left_s(self) -> float:
        """Real seconds left, never below zero; what to hand to select or recv."""
        return max(0.0, (self.at_ns - time.monotonic_ns()) / NS_PER_S)

    @property
    def passed(self) -> bool:
        """Whether the moment has come."""
        return time.monotonic_ns() >= self.at_ns


@dataclass(frozen=True, slots=True)
class HostClock:
    """The host's clocks, run `scale` times as fast."""

    scale: float = 1.0

    def utc_ns(self) -> int:
        """See `Clock.utc_ns`; scaled time counts from when the host started."""
        if self.scale == 1.0:
            return time.time_ns()
        booted = time.time_ns() - time.monotonic_ns()
        return booted + self.mono_ns()

    def mono_ns(self) -> int:
        """See `Clock.mono_ns`."""
        now = time.monotonic_ns()
        return now if self.scale == 1.0 else int(now * self.scale)

    def sleep(self, bench_s: float) -> None:
        """See `Clock.sleep`."""
        if bench_s > 0:
            time.sleep(bench_s / self.scale)

    def real_s(self, bench_s: float) -> float:
        """See `Clock.real_s`."""
        return bench_s / self.scale

    def deadline(self, bench_s: float, grace_s: float = 0.0) -> Deadline:
        """See `Clock.deadline`."""
        real_s = bench_s / self.scale + grace_s
        return Deadline(time.monotonic_ns() + int(real_s * NS_PER_S))


@dataclass(slots=True)
class VirtualClock:
    """A clock for tests in one process: only sleeping moves it."""

    now_mono_ns: int = 1_000 * NS_PER_S
    now_utc_ns: int = 1_900_000_000 * NS_PER_S

    def utc_ns(self) -> int:
        """See `Clock.utc_ns`."""
        return self.now_utc_ns

    def mono_ns(self) -> int:
        """See `Clock.mono_ns`."""
        return self.now_mono_ns

    def sleep(self, bench_s: float) -> None:
        """Move on by `bench_s` at once."""
        passed_ns = max(0, round(bench_s * NS_PER_S))
        self.now_mono_ns += passed_ns
        self.now_utc_ns += passed_ns

    def real_s(self, bench_s: float) -> float:  # noqa: ARG002 - the interface's argument
        """No real time passes."""
        return 0.0

    def deadline(self, bench_s: float, grace_s: float = 0.0) -> Deadline:
        """Return a real deadline; bench time itself takes none."""
        return Deadline(time.monotonic_ns() + int(max(grace_s, bench_s * 0) * NS_PER_S))


@dataclass(frozen=True, slots=True)
class Moment:
    """The host's own clocks at one moment, unscaled, in ns.

    `awake_ns` stands still while the host is suspended and `boot_ns` does not; where a
    host has no such second clock they are the same.
    """

    utc_ns: int
    awake_ns: int
    boot_ns: int


def host_moment() -> Moment:
    """Read the clocks together: of three tries the one that took the shortest."""
    boot = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
    found, shortest_ns = (0, 0, 0), -1
    for _ in range(3):
        began_ns = time.monotonic_ns()
        here = time.time_ns(), time.monotonic_ns(), time.clock_gettime_ns(boot)
        took_ns = time.monotonic_ns() - began_ns
        if shortest_ns < 0 or took_ns < shortest_ns:
            found, shortest_ns = here, took_ns
    return Moment(*found)


def slept_ns() -> int:
    """Return how long the host was suspended since it was booted, in ns, unscaled.

    0 where a host has no clock that goes on meanwhile.
    """
    boot = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
    return time.clock_gettime_ns(boot) - time.monotonic_ns()


def utc_offset_s(utc_ns: int) -> int:
    """Return how far local time is ahead of UTC at that moment, in s."""
    return time.localtime(utc_ns // NS_PER_S).tm_gmtoff


def host_clock(
    environment: "os._Environ[str] | dict[str, str]" = os.environ,
) -> HostClock:
    """Return the real clock, or the scaled one when `BENCHLOG_TIME_SCALE` asks for it.

    Raises UsageError when the variable is not a number from 0.001 to 100,000.
    """
    text = environment.get(SCALE_VARIABLE, "1")
    try:
        scale = float(text)
    except ValueError:
        scale = 0.0
    if not 1e-3 <= scale <= 1e5:
        raise UsageError(
            f"{SCALE_VARIABLE}={text!r} is not a number from 0.001 to 100000; unset it"
        )
    return HostClock(scale)


def host_deadline(real_s: float) -> Deadline:
    """Return the moment `real_s` of the host's own seconds from now."""
    return HostClock().deadline(real_s)


def host_sleep(real_s: float) -> None:
    """Wait on the host's own clock, whatever the bench's clock does."""
    time.sleep(real_s)


def cpu_s() -> float:
    """Return the processor time of this thread in s; a busy host does not add to it."""
    return time.thread_time()
