"""What happens to the host itself: clocks stepped, sleep, local time, room on the disk.

Each look compares with the one before and says what is new, once for each cause.
"""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from benchlog.clock import (
    Clock,
    Deadline,
    Moment,
    host_deadline,
    host_moment,
    slept_ns,
    utc_offset_s,
)
from benchlog.model import EventKind
from benchlog.units import NS_PER_S, format_duration

STEP_NS: Final = NS_PER_S // 2  # our rule: slewed clocks stay below it
ASLEEP_NS: Final = NS_PER_S // 2  # our rule: well above how clocks are read apart
LOW_BYTES: Final = 512_000_000  # our rule: time to make room
LOW_LEFT_S: Final = 12 * 3600.0  # our rule: a night
_AGAIN: Final = 1.25  # so much more room before low is over; our rule
_RATE_OVER_S: Final = 600.0  # our rule: other programs' bursts even out
_DISK_EVERY_S: Final = 5.0  # our rule: cheap, and soon enough
_MEGA: Final = 1_000_000  # definition


@dataclass(frozen=True, slots=True)
class Noticed:
    """Something about the host. `asleep_s`: so long it was suspended; then no reading
    follows on the one before."""

    kind: EventKind
    text: str
    asleep_s: float = 0.0


def between(before: Moment, now: Moment) -> list[Noticed]:
    """Return what the host's clocks say of the time between two looks."""
    found = []
    asleep_ns = (now.boot_ns - before.boot_ns) - (now.awake_ns - before.awake_ns)
    if asleep_ns > ASLEEP_NS:
        asleep_s = asleep_ns / NS_PER_S
        text = f"the computer was suspended for {format_duration(asleep_s)}"
        found.append(Noticed(EventKind.ASLEEP, text, asleep_s))
    step_ns = (now.utc_ns - before.utc_ns) - (now.boot_ns - before.boot_ns)
    if abs(step_ns) > STEP_NS:
        text = f"the wall clock was stepped by {step_ns / NS_PER_S:+.3f} s"
        found.append(Noticed(EventKind.CLOCK_STEP, text))
    return found


def offset_words(offset_s: int) -> str:
    """Return `UTC+02:00`."""
    hours, minutes = divmod(abs(offset_s) // 60, 60)
    return f"UTC{'-' if offset_s < 0 else '+'}{hours:02d}:{minutes:02d}"


class Disk:
    """Room left where the database grows: low early, and once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.free_bytes = self._free()
        self._low = False
        self._since = host_moment().boot_ns
        self._at_first = self.free_bytes
        self._rate = 0.0

    def look(self) -> Noticed | None:
        """Return that room has become low, or that there is room again."""
        self.free_bytes = self._free()
        self._learn_rate()
        left_s = self.free_bytes / self._rate if self._rate > 0 else float("inf")
        room = _AGAIN if self._low else 1.0
        low = self.free_bytes < room * LOW_BYTES or left_s < room * LOW_LEFT_S
        if low == self._low:
            return None
        self._low = low
        megabytes = f"{self.free_bytes / _MEGA:,.0f} MB left beside the database"
        if not low:
            return Noticed(EventKind.STORE_BACK, f"disk space again: {megabytes}")
        soon = f", enough for {format_duration(left_s)} at this rate"
        text = megabytes + (soon if left_s < 1e7 else "") + "; free some space"
        return Noticed(EventKind.DISK_LOW, text)

    def _learn_rate(self) -> None:
        now = host_moment().boot_ns
        passed_s = (now - self._since) / NS_PER_S
        if passed_s >= _RATE_OVER_S:
            self._rate = max(0.0, (self._at_first - self.free_bytes) / passed_s)
            self._since, self._at_first = now, self.free_bytes

    def _free(self) -> int:
        try:
            found = os.statvfs(self.folder)
        except OSError:
            return 0
        return found.f_bavail * found.f_frsize


class HostMonitor:
    """Looks once a second at the clocks, less often at the disk."""

    def __init__(self, database: Path, clock: Clock) -> None:
        self.disk = Disk(database.parent)
        self._clock = clock
        self._moment = host_moment()
        self._offset_s = utc_offset_s(clock.utc_ns())
        self._disk_due: Deadline = host_deadline(0)

    def slept(self) -> bool:
        """Whether the host was suspended since the last look; asked at each turn."""
        known_ns = self._moment.boot_ns - self._moment.awake_ns
        return slept_ns() - known_ns > ASLEEP_NS

    def look(self) -> list[Noticed]:
        """Return what is new since the last look."""
        before, self._moment = self._moment, host_moment()
        found = between(before, self._moment)
        found += self._local_time()
        if self._disk_due.passed:
            self._disk_due = host_deadline(_DISK_EVERY_S)
            disk = self.disk.look()
            found += [disk] if disk is not None else []
        return found

    def _local_time(self) -> list[Noticed]:
        offset_s = utc_offset_s(self._clock.utc_ns())
        before, self._offset_s = self._offset_s, offset_s
        if offset_s == before:
            return []
        text = (
            f"local time went from {offset_words(before)} to {offset_words(offset_s)}; "
            "all records are in UTC and run on"
        )
        return [Noticed(EventKind.LOCAL_TIME, text)]
