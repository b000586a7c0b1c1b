"""A clock for tests that must wait for silence: real time, but less patience."""

from dataclasses import dataclass

from benchlog.clock import Deadline, HostClock


@dataclass(frozen=True, slots=True)
class HurriedClock:
    """The host's clock whose grace periods are only `patience` of what is asked.

    A driver that takes its deadlines from the clock it is given, as it must, is then
    tested against silence in a fraction of a second.
    """

    patience: float = 0.25

    def utc_ns(self) -> int:
        """See `benchlog.clock.Clock`."""
        return HostClock().utc_ns()

    def mono_ns(self) -> int:
        """See `benchlog.clock.Clock`."""
        return HostClock().mono_ns()

    def sleep(self, bench_s: float) -> None:
        """See `benchlog.clock.Clock`."""
        HostClock().sleep(bench_s)

    def real_s(self, bench_s: float) -> float:
        """See `benchlog.clock.Clock`."""
        return bench_s

    def deadline(self, bench_s: float, grace_s: float = 0.0) -> Deadline:
        """Return a deadline with less grace."""
        return HostClock().deadline(bench_s, grace_s * self.patience)
