"""What comes out of an instrument's process: bytes in its pipe, objects of a driver.

The first byte chooses. 0: the rest is written into the pipe as it is. 1: it is put into
frames, one a line, so that the bodies are reached. Else: a driver hands over objects
that the bytes choose, through the code of its own process. What the keeper then hears
goes the whole way to a database, and the run must go on.
"""

import json
import os
import random
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any, Final
from unittest.mock import patch

from fuzz.loop import MEMORY, Door

from benchlog.clock import HostClock
from benchlog.driver import Driver
from benchlog.errors import INSTRUMENT_ERRORS, GarbledError, InstrumentError
from benchlog.model import (
    Bench,
    Event,
    EventKind,
    Flag,
    Identity,
    InstrumentSpec,
    Kind,
    Limits,
    Part,
    PositionSpec,
    Purpose,
    RunPlan,
    Sample,
)
from benchlog.recorder.instruments.instrument_handle import InstrumentProcess
from benchlog.recorder.instruments.instrument_messages import (
    DRIVER,
    Failed,
    Got,
    Job,
    Message,
    Opened,
    Said,
)
from benchlog.recorder.instruments.instrument_process import Child
from benchlog.recorder.instruments.message_pipe import Inbox, widen
from benchlog.recorder.instruments.message_wire import HEAD, MOST_BYTES, to_frame
from benchlog.recorder.run.bookkeeper import Bookkeeper
from benchlog.recorder.run.live_run import LiveRun
from benchlog.store.writer import Writer

CLOCK: Final = HostClock()
GOOD: Final = Identity("A,B,7,1", "A", "B", "7", "1")
OPENED: Final = Opened(
    identity=GOOD, quantity="frequency", unit="Hz", read_limit_s=1.0, period_s=0.0
)
ODD: Final[tuple[Any, ...]] = (
    *(None, True, False, 0, 1, -1, 2**63, -(2**70), 10**400, 0.0, -0.0, 16e6, 1e308),
    *(float("nan"), float("inf"), -float("inf"), 5e-324, complex(1), Decimal("1.5")),
    *(Fraction(1, 3), "", "16e6", "Hz", "edge", "\ud800", "\u202e", "x" * 6_000),
    *(b"", b"1.6E7", b"\xff\x00", b"x" * 5_000, bytearray(b"1"), [], [1], {}, {"a": 1}),
    *({"a": "b"}, (), ("a",), Flag.NO_FIX, Flag.IMPORTED, object(), int, print, GOOD),
)
"""What a stranger may hand over in any place."""
KINDS: Final = {"instrument", DRIVER, *(kind.kind for kind in INSTRUMENT_ERRORS)}


@contextmanager
def door() -> Iterator[Door]:
    with (
        tempfile.TemporaryDirectory(dir=MEMORY) as folder,
        kept(Path(folder)) as keeper,
    ):
        now = CLOCK.mono_ns()
        good = Sample(16e6, "Hz", now, CLOCK.utc_ns(), 0.01, b"16000000.0", 0.1)
        failed = Failed.of(GarbledError("odd", raw=b"\xff", command="READ?"))
        messages = (OPENED, Got(good), Got(good, 1.5), failed, Said("-113"))
        frames = [to_frame(message) for message in messages]
        bodies = b"\n".join(frame[HEAD.size :] for frame in frames)
        seeds = [b"\x00" + b"".join(frames), b"\x01" + bodies, b"\x02" + bytes(20)]
        words = (
            *(b'"got"', b'"opened"', b'"failed"', b'"said"', b'"about-to-open"', b"["),
            *(b'"edge"', b'"Hz"', b"NaN", b"-Infinity", b"[" * 5_000, b"{}", b"\n"),
            *(b"\\ud800", b"9" * 5_000, b"=", b"\x00\x00\x00\x05", b"\x7f\xff\xff\xff"),
        )
        yield Door(
            name="driver_messages",
            enter=keeper.enter,
            words=words,
            seeds=seeds,
            make=made,
            slowest_s=0.5,
        )


def made(rng: random.Random) -> bytes:
    """Make a frame of the right form with odd items, or choose odd objects."""
    if rng.random() < 0.5:
        return bytes((rng.randrange(2, 256), *(rng.randrange(256) for _ in range(20))))
    form = json.loads(to_frame(OPENED)[HEAD.size :])
    if rng.random() < 0.7:
        now = CLOCK.mono_ns() + rng.choice((0, 0, 0, 10**18, -(10**18)))
        form = ["got", 16e6, "Hz", now, now, 0.01, "MQ==", 0.1, 0, 0.0]
    at = rng.randrange(len(form))
    plain = [odd for odd in ODD if isinstance(odd, str | int | float | list | None)]
    form[at] = rng.choice([*plain, {"a": "b"}])
    return b"\x01" + json.dumps(form).encode()


@contextmanager
def kept(folder: Path) -> Iterator["Keeper"]:
    """Yield a run in a database, and what a keeper does with what it hears."""
    counter = InstrumentSpec(name="counter", driver="stranger", quantity="frequency")
    room = InstrumentSpec(name="room", driver="stranger", quantity="temperature")
    place = PositionSpec(name="A", frequency="counter", ambient="room")
    limits = Limits(tolerance_ppm=30.0)
    part = Part(id="q", title="q", kind=Kind.QUARTZ, nominal_hz=16e6, limits=limits)
    plan = RunPlan(
        purpose=Purpose.SOAK,
        device="C-1",
        part=part,
        position="A",
        bench=Bench(
            name="b", instruments={"counter": counter, "room": room}, positions=(place,)
        ),
    )
    with Writer.open(folder / "bench.db", CLOCK) as writer:
        book = Bookkeeper(CLOCK, writer, lambda _: None)
        instruments = {
            spec.name: InstrumentProcess(spec, CLOCK) for spec in (counter, room)
        }
        for instrument in instruments.values():
            instrument.opened, instrument.identity = OPENED, GOOD
        run = book.begin(plan, place, instruments, "none.sock")
        yield Keeper(book, run)


class Keeper:
    """Hears an instrument's process and keeps the books, as a keeper does."""

    def __init__(self, book: Bookkeeper, run: LiveRun) -> None:
        self.book, self.run, self.entered = book, run, 0

    def enter(self, data: bytes) -> str:
        """Return why it was refused; everything that was heard is committed."""
        self.entered += 1
        first, rest = (data + b"\0")[0], data[1:]
        if first > 1:
            heard, foreign = handed_over(rest), ""
            assert all(m.kind in KINDS for m in heard if isinstance(m, Failed))
        else:
            heard, foreign = through_pipe(rest if first == 0 else framed(rest))
        for name in ("counter", "room"):
            for message in heard:
                self._hear(name, message)
        for _ in self.book.commit_all():
            pass
        assert self.book.queue.waiting == 0
        told = [m.message for m in heard if isinstance(m, Failed)]
        return foreign or "; ".join(told)[:200]

    def _hear(self, name: str, message: Message) -> None:
        intake = self.book.intake
        match message:
            case Got(sample, stalled_s):
                unit = "Hz" if name == "counter" else "C"
                if sample.unit == unit:  # others are stopped at the process's handle
                    intake.value(name, sample, stalled_s)
            case Failed():
                intake.failed(name, message)
            case Opened():
                intake.opened(name, message)
            case Said(text):
                intake.said(name, text)
        event = self.run.event(EventKind.NOTE, "x")
        assert isinstance(event, Event)


def framed(lines: bytes) -> bytes:
    return b"".join(HEAD.pack(len(line)) + line for line in lines.split(b"\n"))


def through_pipe(stream: bytes) -> tuple[list[Message], str]:
    """Write bytes into a pipe and read them as the keeper does."""
    read, write = os.pipe()
    widen(write)
    heard: list[Message] = []
    with closing(Inbox(read)) as inbox:
        os.write(write, stream[: MOST_BYTES - 1])
        os.close(write)
        while (more := inbox.read()) is not None:
            heard += more
        assert inbox.read() is None
        for message in heard:
            again = inbox_of(to_frame(message))
            assert repr(again) == repr([message])  # NaN is not itself
        return heard, inbox.foreign


def inbox_of(frame: bytes) -> list[Message]:
    read, write = os.pipe()
    with closing(Inbox(read)) as inbox:
        widen(write)
        os.write(write, frame)
        os.close(write)
        heard: list[Message] = []
        while (more := inbox.read()) is not None:
            heard += more
        return heard


# --- objects that a driver hands over


class Once:
    """Orders: three readings, or three errors, and stop."""

    hold = stop = False
    begun = 0

    def __init__(self) -> None:
        self.left = 3

    def rest(self, real_s: float, begun: int | None = None) -> bool:
        assert 0 <= real_s < 1e9
        self.took_one()
        return self.stop

    def took_one(self) -> None:
        self.left -= 1
        self.stop = self.left <= 0


def handed_over(choice: bytes) -> list[Message]:
    """Return what the keeper hears of a driver whose objects the bytes choose."""
    read, write = os.pipe()
    widen(write)
    spec = InstrumentSpec(name="counter", driver="stranger")
    with (
        closing(Inbox(read)) as inbox,
        patch("benchlog.registry.load", lambda _: stranger(choice)),
    ):
        child = Child(Job(spec=spec, hold=False), write, Once(), CLOCK)  # type: ignore[arg-type]
        child.run()
        os.close(write)
        heard: list[Message] = []
        while (more := inbox.read()) is not None:
            heard += more
        assert inbox.foreign == "", inbox.foreign
    return heard


def stranger(choice: bytes) -> type[Driver]:
    """Return a driver whose every third thing or so is odd, as the bytes tell."""
    bytes_ = iter(choice + bytes(64))

    def odd(good: Any) -> Any:
        """Return something good mostly."""
        number = next(bytes_, 0)
        return ODD[number % len(ODD)] if number > 170 else good

    class Stranger(Driver):
        quantity = odd("frequency")
        unit = odd("Hz")
        read_limit_s = odd(1.0)
        period_s = odd(0.0)

        def open(self) -> None:
            if next(bytes_, 0) > 240:
                raise InstrumentError("odd", raw=odd(b""), address=odd(""))

        def identify(self) -> Identity:
            words = [odd(word) for word in ("A,B", "A", "B", "7", "1")]
            return odd(Identity(*words, odd(False), odd({"gate_s": "1"})))

        def read(self) -> Sample:
            if next(bytes_, 0) > 230:
                error = odd(GarbledError)
                raise error("odd") if error is GarbledError else ValueError(error)
            now = CLOCK.mono_ns()
            times = (odd(now), odd(CLOCK.utc_ns()), odd(0.0))
            good = (odd(16e6), odd("Hz"), *times, odd(b"1"), odd(0.1), odd(Flag.NONE))
            return odd(Sample(*good))

        def messages(self) -> tuple[str, ...]:
            return odd(())

        def close(self) -> None:
            if next(bytes_, 0) > 250:
                raise ValueError(odd(""))

    return Stranger
