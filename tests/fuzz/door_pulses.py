"""Bytes of a pulse port: sentences of a receiver, and bytes that are pulses themselves.

Every input is read as lines, and goes in pieces through what listens to a receiver. One
in a hundred also arrives at the whole driver, over two pseudo-terminals.
"""

import os
import re
import tty
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

from benchlog_drivers._fixes import Fixes
from benchlog_drivers._nmea import MalformedError, Report, read_sentence
from benchlog_drivers.pulse_edge import PulseEdge
from fuzz.loop import Door

from benchlog.clock import host_deadline, host_sleep
from benchlog.driver_values import check_stamp, checked_promise, checked_sample
from benchlog.errors import InstrumentError
from benchlog.testing import HurriedClock
from benchlog.testing.soundness import check_error

SEEDS: Final = (
    b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n",
    b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n",
    b"$GPZDA,160012.71,11,03,2004,-1,00*7D\r\n",
)
WORDS: Final = (
    *(b"$", b"!", b"*", b"*00", b",", b"\r\n", b"\n", b"GPRMC", b"GNGGA", b"GPZDA"),
    *(b"A", b"V", b"D", b"E", b"235960", b"310224", b"0102", b"999999", b",,,,,,,,"),
    *(b"x" * 80, b"x" * 300, b"\x00", b"\x80", b"\xff"),
)
_FIX_AT: Final = {"RMC": rb"^..RMC,[^,]*,A,", "GGA": rb"^..GGA(,[^,]*){5},[1-5],"}
_WHOLE: Final = 100  # one in so many inputs goes to the whole driver
_MALFORMED_SUM: Final = re.compile(rb"[$!](?P<body>[^*]*)\*(?P<sum>[0-9A-Fa-f]{2})\r?")


@contextmanager
def door() -> Iterator[Door]:
    with pty() as (pulses, pulse_path), pty() as (data, data_path):

        def enter(given: bytes) -> str:
            said = "; ".join(sorted({read(line) for line in given.split(b"\n")}))
            listened(given)
            if zlib.crc32(given) % _WHOLE == 0:
                said += measured(given, (pulses, data), (pulse_path, data_path))
            return said.strip("; ")

        yield Door(name="pulses", enter=enter, words=WORDS, seeds=SEEDS, slowest_s=0.5)


@contextmanager
def pty() -> Iterator[tuple[int, str]]:
    """Yield the master of a raw pseudo-terminal and the path of its port."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(master)
        os.close(slave)


def read(line: bytes) -> str:
    """Read one line; hold a report against the line, by a way of our own."""
    try:
        report = read_sentence(line)
    except MalformedError as error:
        assert str(error).strip()
        return str(error)
    vouched(report, line)
    return ""


def vouched(report: Report, line: bytes) -> None:
    """A report must come of a whole line, and a fix of one that tells it."""
    match = _MALFORMED_SUM.fullmatch(line.removesuffix(b"\n"))
    assert match is not None
    total = 0
    for byte in match["body"]:
        total ^= byte
    assert total == int(match["sum"], 16)
    if report.fix:
        assert re.search(_FIX_AT[report.kind], match["body"])
    assert report.second is None or 0 <= report.second < 86_401
    assert report.satellites is None or 0 <= report.satellites < 1_000


def listened(given: bytes) -> None:
    """Let a listener hear it in pieces that end anywhere; it must come to its end."""
    pieces = [given[at : at + 97] for at in range(0, len(given), 97)]
    receive: Callable[[], bytes] = iter([*pieces, b"\n"]).__next__
    heard = []

    def receive_or_end() -> bytes:
        try:
            return receive()
        except StopIteration:
            heard.append(True)
            raise OSError("the port is gone") from None

    fixes = Fixes(receive_or_end, HurriedClock(), None)
    limit = host_deadline(5.0)
    while not heard and not limit.passed:
        host_sleep(1e-5)
    fixes.close()
    assert heard, "the listener ended before its port did"
    whole = sum(is_whole(line) for line in given.split(b"\n"))
    assert fixes.malformed <= given.count(b"\n") + 1
    assert fixes.newest is None or whole


def is_whole(line: bytes) -> bool:
    """Whether a line is a sentence."""
    try:
        read_sentence(line.strip(b"\r"))
    except MalformedError:
        return False
    return True


def measured(given: bytes, ends: tuple[int, int], paths: tuple[str, str]) -> str:
    """Open the driver on both ports, send the bytes to both, and read its pulses."""
    clock = HurriedClock(0.005)
    options = {"line": "rx", "data_address": paths[1], "interval_s": 1e-3}
    driver = PulseEdge(paths[0], options, clock)
    opened_ns = clock.mono_ns()
    driver.open()
    try:
        promise = checked_promise(driver)
        for end in ends:
            os.write(end, given[:2_000] + b"\n")
        for _ in range(3):
            sample = checked_sample(driver.read(), promise.unit)
            check_stamp(sample, opened_ns, clock.mono_ns())
    except InstrumentError as error:
        check_error(error)
        return str(error)
    finally:
        driver.close()
    return ""
