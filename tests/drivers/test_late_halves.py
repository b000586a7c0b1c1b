"""An answer that comes in halves, the second one too late: never part of another."""

import contextlib
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest
from benchlog_drivers.line_counter import LineCounter
from benchlog_drivers.scpi_counter import ScpiCounter

from benchlog.catalogue import load_dialect
from benchlog.clock import host_deadline, host_sleep
from benchlog.driver import Driver
from benchlog.driver_kit.listener import is_one_behind_half
from benchlog.errors import GarbledError, InstrumentError, OutOfStepError, SilentError
from benchlog.testing import HurriedClock, PtyPeer, TcpPeer
from benchlog.testing.peers import Peer
from benchlog.testing.scripts import Behaviour, Channel

VALUES = [f"1.59998{n}E+07" for n in range(50, 60)]
HALF = 5
GATE_S = 0.15
PLAIN = load_dialect("scpi-1999")
UNNAMED = replace(PLAIN, commands={"read": "READ?"})
"""Of what cannot be asked who it is, so that nothing brings it into step."""
HZ = load_dialect("line-hz")


class Halves(Behaviour):
    """Answers its first question in halves, `late_s` apart; the others as it should.

    Behind a bridge of `++` commands answers wait until they are read.
    """

    def __init__(self, late_s: float, *, bridge: bool = False) -> None:
        super().__init__()
        self.late_s, self.bridge = late_s, bridge
        self._values = iter(VALUES)
        self._lock = threading.Lock()
        self._channel: Channel | None = None
        self._output: list[str] = []

    def serve(self, channel: Channel, stopped: threading.Event) -> None:
        """Answer, on the newest connection: the line behind it is the same."""
        self._channel, waiting = channel, b""
        while not stopped.is_set():
            arrived = channel.receive(0.01)
            if arrived is None:
                return
            *lines, waiting = (waiting + arrived).split(b"\n")
            for line in lines:
                self._hear(line.decode())

    def _hear(self, line: str) -> None:
        if line == "READ?":
            self._output.append(next(self._values))
        elif line == "*IDN?":
            self._output.append("MAKER,COUNTER,7,1.0")
        elif line == "++clr":
            self._output.clear()
        if self._output and (line == "++read eoi" or not self.bridge):
            text = self._output.pop(0)
            if text == VALUES[0]:
                self._say(text[:HALF])
                self._say_later(self.late_s, text[HALF:] + "\n")
            else:
                self._say_later(GATE_S, text + "\n")

    def _say_later(self, after_s: float, text: str) -> None:
        threading.Timer(after_s, self._say, (text,)).start()

    def _say(self, text: str) -> None:
        with self._lock, contextlib.suppress(OSError):  # it may be gone by then
            assert self._channel is not None
            self._channel.send(text.encode())


@contextlib.contextmanager
def counter(
    kind: type[Peer], behaviour: Halves, **options: object
) -> Iterator[ScpiCounter]:
    with kind(behaviour) as peer:  # type: ignore[call-arg]
        given = {"dialect": UNNAMED, "gate_s": GATE_S, **options}
        driver = ScpiCounter(peer.address, given, HurriedClock(0.1))
        driver.open()
        try:
            yield driver
        finally:
            driver.close()


def reads(driver: Driver, times: int, again: Callable[[], None]) -> list[float]:
    """Return what is read in some tries; `again` is done after each error."""
    found = []
    for _ in range(times):
        try:
            found.append(driver.read().value)
        except InstrumentError:
            again()
    return found


@pytest.mark.parametrize(("kind", "bridge"), [(TcpPeer, False), (PtyPeer, True)])
def test_the_rest_is_no_answer_when_the_line_is_opened_anew(kind, bridge):
    options, limit = {"gpib_address": 3} if bridge else {}, host_deadline(30.0)
    with counter(kind, Halves(0.45, bridge=bridge), **options) as driver:
        with pytest.raises(SilentError):
            driver.read()

        def again() -> None:
            driver.close()
            driver.open()

        again()
        found = reads(driver, 4, again)
        while not found and not limit.passed:  # a busy computer may miss them all
            found = reads(driver, 1, again)
    assert found and set(found) <= {float(text) for text in VALUES[1:]}


@pytest.mark.parametrize("kind", [TcpPeer, PtyPeer])
def test_a_line_out_of_step_is_asked_nothing_more(kind):
    with counter(kind, Halves(0.6)) as driver:
        with pytest.raises(SilentError):
            driver.read()
        for _ in range(4):
            with pytest.raises(OutOfStepError):
                driver.read()
            host_sleep(0.1)


class Glued(Behaviour):
    """Talks; of one line there is only the beginning, at once with the next."""

    def serve(self, channel: Channel, stopped: threading.Event) -> None:
        """Send a line each 20 ms."""
        sent = b"1.0\n"
        for number in range(30):
            channel.send(sent)
            if stopped.wait(0.02) or channel.receive(0.0) is None:
                return
            good = f"159998{number:02}.5"
            sent = good.encode() + b"\n"
            if number == 5:
                sent = good[: HALF + 1].encode() + sent.replace(b"05", b"06")


@pytest.mark.parametrize("kind", [TcpPeer, PtyPeer])
def test_half_a_line_that_came_with_the_next_is_no_number(kind):
    """As a busy computer finds them: together, without a pause between them."""
    with kind(Glued()) as peer:
        driver = LineCounter(
            peer.address, {"dialect": HZ, "gate_s": 0.02}, HurriedClock()
        )
        driver.open()
        found: list[float] = []
        refused: list[bytes] = []
        try:
            while not found or found[-1] < 15_999_808:
                try:
                    found.append(driver.read().value)
                except GarbledError as error:
                    assert "half of one line and another" in str(error)
                    refused.append(error.raw.strip())
        finally:
            driver.close()
    assert set(found) <= {15_999_800.5 + n for n in range(30)}
    assert b"15999815999806.5" in refused


@pytest.mark.parametrize(
    ("body", "before", "expected"),
    [
        (b"1599915999852.5", b"15999851.9", True),
        (b"115999852.5", b"15999851.9", True),
        (b"15999851.15999852.5", b"15999851.9", True),
        (b"1599985115999852", b"15999851", True),
        (b"10000000.02", b"9999999.98", False),
        (b"100.1", b"99.9", False),
        (b"15999852.5", b"15999851.9", False),
        (b"F 15999852.5", b"15999851.9", False),
        (b"+10.5", b"+9.5", False),
        (b"-10.5", b"-9.5", False),
        (b"9.5", b"10.5", False),
    ],
)
def test_what_is_two_lines(body, before, expected):
    assert is_one_behind_half(body, [len(before)]) is expected
