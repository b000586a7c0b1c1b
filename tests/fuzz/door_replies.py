"""Replies of instruments: every driver and dialect of ours, over a real socket.

An input is two bytes and then answers with a record separator (1E) between. The first
byte chooses driver and dialect. Bits of the second let the input also answer who it is
(1) and what its error queue holds (2); else those are answered as they should be. An
instrument that talks sends all answers and hangs up; one that is asked hangs up where
it has no answer left.
"""

import contextlib
import math
import re
import socket
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from benchlog_drivers.line_counter import LineCounter
from benchlog_drivers.line_thermometer import LineThermometer
from benchlog_drivers.line_trim import LineTrim
from benchlog_drivers.scpi_counter import ScpiCounter
from benchlog_drivers.scpi_meter import ScpiMeter
from benchlog_drivers.scpi_thermometer import ScpiThermometer
from benchlog_drivers.sysfs_thermometer import SysfsThermometer
from fuzz.loop import MEMORY, Door

from benchlog.catalogue import load_dialect
from benchlog.driver import Driver, Trimmer
from benchlog.driver_values import (
    check_stamp,
    checked_identity,
    checked_messages,
    checked_promise,
    checked_sample,
)
from benchlog.errors import InstrumentError
from benchlog.model import Flag, Reading, Sample
from benchlog.recorder.instruments.instrument_messages import Failed, Got
from benchlog.recorder.instruments.message_wire import HEAD, from_body, to_frame
from benchlog.recorder.run.acceptance import accept
from benchlog.testing import HurriedClock
from benchlog.testing.soundness import check_error

BETWEEN: Final = b"\x1e"
KINDS: Final = (
    (ScpiCounter, "scpi-1999"),
    (ScpiCounter, "scpi-inputs"),
    (ScpiCounter, "scpi-period"),
    (ScpiThermometer, "scpi-thermometer"),
    (ScpiMeter, "scpi-meter"),
    (LineCounter, "line-hz"),
    (LineCounter, "line-khz"),
    (LineCounter, "line-counts"),
    (LineThermometer, "line-celsius"),
    (LineTrim, ""),
    (SysfsThermometer, ""),
)
"""Driver and dialect, by the first byte of an input."""
SHORT: Final = {"gate_s": 1e-3, "interval_s": 1e-3}
# IEEE 488.2 (7.7.2), from memory: NR1, NR2, NR3
NRF: Final = re.compile(rb"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
LEAST_HZ, MOST_HZ = 1e-12, 1e30  # our rule: no figure can be made beyond
GOOD: Final = (b"+1.5999852E+07", b"23.4", b"6.25E-8", b"15999.852 kHz", b"T = 23.40 C")
WORDS: Final = (
    *(b"9.91E37", b"9.9E37", b"-9.9E37", b"1e400", b"1e-400", b"0e9999", b"E7", b"OL"),
    *(b"\n", b"\r\n", b"\r", b" ", b"\t", b",", b";", BETWEEN, b"----", b"no signal"),
    *(b'-113,"Undefined header"', b'0,"No error"', b"MAKER,MODEL,7,1.0", b"trim 87"),
    *(b"id MAKER,MODEL,7,1", b"error ", b"# ", b"crc=2f YES\n", b"t=23125", b"23125"),
    *(b"1" * 64, b"0" * 600, b"," * 70, b"\xff", b"\x00", *GOOD),
)


@contextmanager
def door() -> Iterator[Door]:
    with (
        tempfile.TemporaryDirectory(dir=MEMORY) as folder,
        contextlib.closing(Instrument()) as peer,
    ):
        bench = Bench(peer, Path(folder) / "temp")
        seeds = [bytes((n, 0)) + BETWEEN.join(GOOD) + b"\n" for n in range(len(KINDS))]
        yield Door(
            name="replies", enter=bench.enter, words=WORDS, seeds=seeds, slowest_s=0.5
        )


class Bench:
    """Opens, identifies and reads, as an instrument's process does."""

    def __init__(self, peer: "Instrument", file: Path) -> None:
        self.peer, self.file, self.clock = peer, file, HurriedClock(0.005)
        self.options: dict[str, dict[str, object]] = {"": {}}
        for _, name in KINDS:
            if name:
                self.options[name] = {"dialect": load_dialect(name), **SHORT}

    def enter(self, data: bytes) -> str:
        """Return the error that it ends in; check all that is handed over."""
        first, second = (data + b"\0\0")[:2]
        kind, name = KINDS[first % len(KINDS)]
        self.peer.load(kind, data[2:], second)
        address = self.peer.address
        if kind is SysfsThermometer:
            self.file.write_bytes(data[2:])
            address = str(self.file)
        driver = kind(address, self.options[name], self.clock)
        opened_ns = self.clock.mono_ns()
        try:
            driver.open()
            checked_identity(driver.identify())
            promise = checked_promise(driver)
            for _ in range(2):
                sample = checked_sample(driver.read(), promise.unit)
                check_stamp(sample, opened_ns, self.clock.mono_ns())
                check_value(sample, name)
            if isinstance(driver, Trimmer):
                driver.set(5)
        except InstrumentError as error:
            check_error(error)
            failed = Failed.of(error)
            assert from_body(to_frame(failed)[HEAD.size :]) == failed
            return str(error)
        finally:
            checked_messages(driver.messages())
            driver.close()
        return ""


def check_value(sample: Sample, dialect: str) -> None:
    """Hold a value against what the reply tells, and against the keeper's rule."""
    assert math.isfinite(sample.value)
    assert sample.step is None or 0 < sample.step < math.inf
    assert from_body(to_frame(Got(sample))[HEAD.size :]) == Got(sample)
    reading = accept(sample, None, Flag.NONE, None)
    if sample.unit == "Hz":
        lies_within = LEAST_HZ <= sample.value <= MOST_HZ
        assert isinstance(reading, Reading) == lies_within
    if dialect in ("scpi-1999", "scpi-inputs"):
        assert NRF.fullmatch(sample.raw) and abs(sample.value) < 9.9e37
        assert float(sample.raw) == sample.value


class Instrument:
    """One socket and one thread that answers on it, one connection after the other."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        port = self._server.getsockname()[1]
        self.address = f"TCPIP::127.0.0.1::{port}::SOCKET"
        self._talks, self._answers, self._fuzzed = False, [b""], 0
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def load(self, kind: type[Driver], answers: bytes, fuzzed: int) -> None:
        """Set what is answered from the next connection on."""
        self._talks = kind in (LineCounter, LineThermometer)
        self._answers, self._fuzzed = answers.split(BETWEEN), fuzzed

    def close(self) -> None:
        """Stop."""
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._thread.join(2.0)

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._server.accept()
            except OSError:
                return
            with connection, contextlib.suppress(OSError):
                connection.settimeout(5.0)
                self._speak(connection)

    def _speak(self, connection: socket.socket) -> None:
        answers = list(self._answers)
        if self._talks:
            connection.sendall(b"".join(answer + b"\n" for answer in answers))
            return
        waiting = b""
        while more := connection.recv(65_536):
            *lines, waiting = (waiting + more).split(b"\n")
            for line in lines:
                if not self._answer(connection, line.upper(), answers):
                    return

    def _answer(
        self, connection: socket.socket, line: bytes, answers: list[bytes]
    ) -> bool:
        """Answer one line; False to hang up."""
        if b"?" not in line and not line.startswith(b"TRIM "):
            return True
        if b"*IDN?" in line and not self._fuzzed & 1:
            answer = b"MAKER,MODEL,7,1.0"
        elif line == b"ID?" and not self._fuzzed & 1:
            answer = b"id MAKER,MODEL,7,1.0"
        elif b"ERR" in line and not self._fuzzed & 2:
            answer = b'0,"No error"'
        elif b"APER" in line and not self._fuzzed & 2:
            answer = b"1E-3"
        elif answers:
            answer = answers.pop(0)
        else:
            return False
        connection.sendall(answer + b"\n")
        return True
