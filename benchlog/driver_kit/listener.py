"""Listening to an instrument that talks by itself, each line stamped as it arrives.

A thread of its own reads the line, so a reading that waits while the caller is busy
keeps the time at which it came, not the time at which somebody looked.

Half a line whose rest never came would run together with the next one into a number
that looks good. The pause in its middle gives it away. A busy computer may see none:
then it is its end, a line of usual length that begins as the whole one does.
"""

import queue
import threading
from collections import deque
from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from benchlog.clock import Clock, Deadline, HostClock, host_deadline
from benchlog.driver_kit.link import StreamLink
from benchlog.errors import (
    GarbledError,
    InstrumentError,
    OutOfStepError,
    SilentError,
)
from benchlog.units import NS_PER_S, two_digits

MAX_WAITING: Final = 10_000
"""Lines that may wait unread; more means that nobody listens any more."""
_SLICE_S: Final = 0.05
_LONG_PAUSE_S: Final = 0.3
"""No instrument rests for longer in the middle of a number, however slow the line."""
_SHORT_PAUSE_S: Final = 0.005
"""What a computer under load may add between two halves of one line."""
_JOIN_S: Final = 1.0
_BLANKS: Final = b" \t\r\n"
_DIGIT: Final = ord("0")
_USUAL: Final = 8  # our rule: lines whose lengths are usual


@dataclass(frozen=True, slots=True)
class Line:
    """One whole line with its terminator, and when that had arrived."""

    raw: bytes
    mono_ns: int
    utc_ns: int


def is_one_behind_half(body: bytes, usual: Collection[int]) -> bool:
    """Whether a line may be one of a usual length with the beginning of one before it.

    `usual` are the lengths of lines before, without what ends them. Two lines one after
    the other begin alike: in the first half of what is left of the one at least, and in
    the same form, a digit where the other has one. 10000000.0 after 9999999.5 is no two
    lines.
    """
    if len(body) in usual:
        return False
    pairs = ((body[:-n], body[-n:]) for n in set(usual) if 0 < n < len(body) <= 2 * n)
    return any(_begins_as(half, whole) for half, whole in pairs)


def _begins_as(half: bytes, whole: bytes) -> bool:
    alike = (len(half) + 1) // 2
    return half[:alike] == whole[:alike] and _form(half) == _form(whole[: len(half)])


def _form(text: bytes) -> bytes:
    return bytes(_DIGIT if 0x30 <= one <= 0x39 else one for one in text)  # 0 to 9


class Listener:
    """Owns a link and reads it until closed. Close it from the thread that made it.

    `interval_s` is the real time from one line to the next, as far as it is known.
    """

    def __init__(self, link: StreamLink, clock: Clock, interval_s: float) -> None:
        self._link, self._clock, self._interval_s = link, clock, interval_s
        self._heard: queue.SimpleQueue[Line | InstrumentError] = queue.SimpleQueue()
        self._done = threading.Event()
        self._end: InstrumentError | None = None
        self._came_ns = HostClock().mono_ns()
        self._usual: deque[int] = deque(maxlen=_USUAL)
        self._thread = threading.Thread(
            target=self._listen, name=f"listener {link.address}", daemon=True
        )
        self._thread.start()

    def next(self, deadline: Deadline, *, newest: bool = False) -> Line:
        """Return the next line, or the newest of those that wait.

        Raises SilentError at the deadline, and what ended the listening: LostError,
        GarbledError for a line without end, OutOfStepError when too many lines waited.
        """
        line = self._next_heard(deadline)
        while newest and not self._heard.empty():
            line = self._next_heard(deadline)
        return line

    def close(self) -> None:
        """Stop listening and close the link. Never raises."""
        self._done.set()
        self._thread.join(_JOIN_S)
        self._link.close()

    def _next_heard(self, deadline: Deadline) -> Line:
        try:
            heard = self._heard.get(timeout=deadline.left_s())
        except queue.Empty:
            raise self._silent() from None
        if heard is self._end:
            self._heard.put(heard)  # it stays true for whoever asks again
        if isinstance(heard, InstrumentError):
            raise heard
        return heard

    def _listen(self) -> None:
        while not self._done.is_set():
            try:
                raw = self._link.read_line(host_deadline(_SLICE_S))
            except SilentError:
                continue  # half a line stays in the link until the rest has come
            except InstrumentError as error:
                self._give_up(error)
                return
            line = Line(raw, self._clock.mono_ns(), self._clock.utc_ns())
            if self._heard.qsize() >= MAX_WAITING:
                self._give_up(self._overrun(line))
                return
            self._heard.put(self._two_halves(line) or line)

    def _give_up(self, error: InstrumentError) -> None:
        self._end = error
        self._heard.put(error)

    def _two_halves(self, line: Line) -> GarbledError | None:
        """Return the error for a line with a pause in its middle, None for a good one.

        The limit is what passes between lines, as stated and as it was just now: half
        of the one, a third of the other, which holds two intervals if half a line was
        left alone.
        """
        now = HostClock().mono_ns()
        passed_s, self._came_ns = (now - self._came_ns) / NS_PER_S, now
        limit_s = min(_LONG_PAUSE_S, self._interval_s / 2, passed_s / 3)
        body = line.raw.rstrip(_BLANKS)
        is_two = is_one_behind_half(body, self._usual)
        self._usual.append(len(body))
        if self._link.pause_s > max(_SHORT_PAUSE_S, limit_s):
            did = f"rested for {two_digits(self._link.pause_s)} s in the middle of"
        elif is_two:
            did = "sent"
        else:
            return None
        return GarbledError(
            f"{self._link.address} {did} {line.raw[:60]!r}, which may be half of one "
            "line and another; check the cable and the line's settings",
            address=self._link.address,
            raw=line.raw,
        )

    def _silent(self) -> SilentError:
        address, raw = self._link.address, self._link.rest()
        ends = self._link.terminator.decode("latin-1")
        found = f"{len(raw)} bytes and no line end {ends!r}" if raw else "nothing"
        return SilentError(
            f"{address} talks by itself, but sent {found} in time; check that it runs, "
            "the baud rate, the dialect's terminator, or raise interval_s",
            address=address,
            raw=raw,
        )

    def _overrun(self, line: Line) -> OutOfStepError:
        return OutOfStepError(
            f"{MAX_WAITING} lines of {self._link.address} waited unread; listening "
            "starts over, with a gap. Is the computer overloaded or the disk stuck?",
            address=self._link.address,
            raw=line.raw,
        )
