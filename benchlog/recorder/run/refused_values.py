"""What is said of values that were refused: each one at first, then they are counted.

A driver that has gone wrong may hand over one value ten thousand times in a second. It
is kept with its raw bytes when it first comes; how often it came again is said once. So
are values that are refused for one cause, however they differ.

Where causes change from value to value, or good ones come between, that would still be
an event for each. So `AT_ONCE` are told as they come; what follows is counted, and told
after 1 s, 2 s, 4 s and so on, each hour in the end, as all trouble that comes again
(`recurring.py`), and once more when it has stayed away for five minutes.
"""

from collections.abc import Callable
from typing import Final

from benchlog.clock import HostClock
from benchlog.model import Sample
from benchlog.recorder.run.acceptance import Rejected
from benchlog.recorder.run.recurring import FIRST_S, HOUR_S, OVER_S, without_what_varies
from benchlog.units import NS_PER_S, printable

Said = tuple[str, bytes]
AT_ONCE: Final = 16  # our rule: as many causes as are told of recurring trouble
_MOST_RAW: Final = 4_096  # our rule: raw bytes that one event carries
_CLOCK: Final = HostClock()
_MOST_CAUSES: Final = 4  # our rule: causes that one event names


class RejectedSamples:
    """Turns refused samples into the texts of events, with their raw bytes."""

    def __init__(self, now_ns: Callable[[], int] = _CLOCK.mono_ns) -> None:
        """`now_ns`: the real, monotonic time."""
        self._now_ns = now_ns
        self._last: Sample | None = None
        self._alike = ""
        self._again = 0
        self._raw = b""
        self._told = 0  # as they came, since they last stayed away
        self._counted = CountedRefusals()

    def of(self, sample: Sample, rejected: Rejected) -> list[Said]:
        """Return what is to be said of a refused sample."""
        now_ns = self._now_ns()
        over = self._stayed_away(now_ns)
        if self._told >= AT_ONCE:
            return [*over, *self._counted.of(sample, rejected, now_ns)]
        self._counted.last_ns = now_ns
        if sample == self._last or (rejected.alike and rejected.alike == self._alike):
            self._again += 1
            self._raw = _joined(self._raw, sample.raw)
            return over
        said = self._again_said()
        self._told += 1
        if self._told >= AT_ONCE:
            self._counted.begin(now_ns)
        else:
            self._last, self._alike, self._raw = sample, rejected.alike, sample.raw
        return [*over, *said, (f"value refused, {rejected.reason}", sample.raw)]

    def over(self, *, ended: bool = False) -> list[Said]:
        """Return how often the last one came again, now that it comes no more.

        Values refused for the same cause may come between good ones: they are told
        when another cause comes up, and when the run has `ended`.
        """
        if ended:
            return [*self._again_said(), *self._counted.rest("")]
        now_ns = self._now_ns()
        if self._told >= AT_ONCE:
            return self._stayed_away(now_ns) or self._counted.due(now_ns)
        return [] if self._alike else self._again_said()

    def _stayed_away(self, now_ns: int) -> list[Said]:
        """Begin anew where none has come for long; return what is still to be said."""
        if not self._told or now_ns - self._counted.last_ns < OVER_S * NS_PER_S:
            return []
        self._told = 0
        return self._counted.rest("; over")

    def _again_said(self) -> list[Said]:
        last, again, raw = self._last, self._again, self._raw
        alike, self._alike = self._alike, ""
        self._last, self._again, self._raw = None, 0, b""
        if last is None or not again:
            return []
        if alike:
            more = "1 value more" if again == 1 else f"{again:,} values more"
            return [(f"{more} {alike}, refused like the first", raw)]
        times = "once more" if again == 1 else f"{again:,} times more"
        return [(f"the same value came {times}, refused like the first", last.raw)]


class CountedRefusals:
    """Counts refused values of whatever cause; tells of them ever less often.

    `last_ns` is when one came last, real and monotonic.
    """

    def __init__(self) -> None:
        self.last_ns = 0
        self._count = 0
        self._raw = b""
        self._causes: dict[str, str] = {}
        self._due_ns, self._pause_s = 0, FIRST_S

    def begin(self, now_ns: int) -> None:
        """Count from now on; the first count is due after a second."""
        self._pause_s = FIRST_S
        self._due_ns = now_ns + round(FIRST_S * NS_PER_S)

    def of(self, sample: Sample, rejected: Rejected, now_ns: int) -> list[Said]:
        """Count a refused value; return what is due."""
        self.last_ns = now_ns
        self._count += 1
        self._raw = _joined(self._raw, sample.raw)
        cause = rejected.alike or without_what_varies(rejected.reason)
        if len(self._causes) < _MOST_CAUSES:
            self._causes.setdefault(cause, rejected.reason)
        return self.due(now_ns)

    def due(self, now_ns: int) -> list[Said]:
        """Return the count if its time has come; the next pause is twice as long."""
        if not self._count or now_ns < self._due_ns:
            return []
        self._pause_s = min(2 * self._pause_s, HOUR_S)
        self._due_ns = now_ns + round(self._pause_s * NS_PER_S)
        return self.rest("")

    def rest(self, how: str) -> list[Said]:
        """Return what was counted and is untold."""
        count, causes, raw = self._count, self._causes, self._raw
        self._count, self._causes, self._raw = 0, {}, b""
        if not count:
            return []
        more = "1 value more was" if count == 1 else f"{count:,} values more were"
        text = f"{more} refused: {'; '.join(causes.values())}{how}"
        return [(printable(text), raw)]


def _joined(raw: bytes, more: bytes) -> bytes:
    if len(raw) >= _MOST_RAW:
        return raw
    return (raw + b"\n" + more)[:_MOST_RAW] if raw else more[:_MOST_RAW]
