"""How long a run lay still between two segments, whatever the wall clock was set to.

Within one boot the monotonic clock goes on without a keeper; it leaves out only what
the computer slept. So the first event of a segment says which boot it is, and how long
the computer had slept by then: CLOCK_BOOTTIME less CLOCK_MONOTONIC (clock_gettime(2),
Linux; elsewhere nothing is said, and the wall clock is believed).
"""

import json
from dataclasses import dataclass
from typing import Final

from benchlog.clock import Clock, host_moment
from benchlog.model import Event
from benchlog.store.files import boot_id

_BOOT: Final = "boot"
_ASLEEP: Final = "asleep_ns"
_PACE: Final = "pace"
_MOST: Final = 2**62  # our rule: far beyond any clock, and sums are still held


@dataclass(frozen=True, slots=True)
class BootMark:
    """Which boot it was, real s a bench second took, and ns slept since that boot."""

    boot: str
    pace: float
    asleep_ns: int


def mark_now(clock: Clock) -> bytes:
    """Return the raw octets of the event that begins a segment; none where unknown."""
    boot, pace, now = boot_id(), clock.real_s(1.0), host_moment()
    if not (boot and pace):
        return b""
    told = {_BOOT: boot, _PACE: pace, _ASLEEP: now.boot_ns - now.awake_ns}
    return json.dumps(told).encode()


def mark_of(event: Event) -> BootMark | None:
    """Return what an event says of its boot, None where it says nothing."""
    if not event.raw:
        return None
    try:
        told = json.loads(event.raw)
        mark = BootMark(str(told[_BOOT]), float(told[_PACE]), int(told[_ASLEEP]))
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return None
    return mark if 0 <= mark.asleep_ns < _MOST and mark.boot else None
