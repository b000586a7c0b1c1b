"""Whether a pulse counts: by the sentence after it, over real pseudo-terminals."""

import os
import socket
import tty
from contextlib import contextmanager

import pytest
from benchlog_drivers.pulse_edge import PulseEdge
from waiting import wait_for

from benchlog.clock import HostClock
from benchlog.errors import RefusedError
from benchlog.model import Flag

CLOCK = HostClock()
GOOD = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"
VOID = b"$GPRMC,000004,V,3714.6284,N,12146.9181,W,0.000,0.0,290697,15.4,E*4C\r\n"


@contextmanager
def ptys(count: int):
    """Yield (file of our side, path of theirs) for some pseudo-terminals."""
    pairs = [os.openpty() for _ in range(count)]
    for _, theirs in pairs:
        tty.setraw(theirs)
    try:
        yield [(ours, os.ttyname(theirs)) for ours, theirs in pairs]
    finally:
        for pair in pairs:
            for fd in pair:
                os.close(fd)


def pulse_on(end: tuple[int, str], driver: PulseEdge) -> None:
    """Send a pulse, and wait until it is stamped."""
    # private: a busy computer stamps it late, and nobody tells when
    stamps = driver._stamper._stamps
    before = len(stamps)
    os.write(end[0], b"P")
    wait_for(lambda: len(stamps) > before)


def say(end: tuple[int, str], driver: PulseEdge, sentence: bytes) -> None:
    """Send a sentence that tells of a fix, and wait until it is heard."""
    # private: a busy computer hears it late, and nobody tells when
    heard = driver._fixes._history
    before = len(heard)
    os.write(end[0], sentence)
    wait_for(lambda: len(heard) > before)


@pytest.mark.parametrize(
    ("said", "flag"),
    [
        (GOOD, Flag.NONE),
        (VOID, Flag.NO_FIX),
        (b"", Flag.NO_FIX),
        (GOOD.replace(b"*6A", b"*6B"), Flag.NO_FIX),
        (b"$GPZDA,201530.00,04,07,2002,00,00*60\r\n", Flag.NO_FIX),
        (b"\xff\x00 noise\n" + GOOD, Flag.NONE),
    ],
)
def test_a_pulse_counts_only_when_the_sentence_after_it_says_fix(said, flag):
    with ptys(2) as [pulse, data]:
        options = {
            "line": "rx",
            "interval_s": 5.0,
            "data_address": data[1],
            "fix_within_s": 0.2 if flag else 5.0,  # a good one ends the wait
        }
        driver = PulseEdge(pulse[1], options, CLOCK)
        driver.open()
        try:
            say(
                data, driver, GOOD
            )  # what was said before the pulse vouches for nothing
            pulse_on(pulse, driver)
            os.write(data[0], said)
            assert driver.read().flags == flag
        finally:
            driver.close()


def test_each_of_several_pulses_has_its_own_sentence():
    with ptys(2) as [pulse, data]:
        options = {"line": "rx", "data_address": data[1], "fix_within_s": 5.0}
        driver = PulseEdge(pulse[1], options, CLOCK)
        driver.open()
        try:
            for said in (GOOD, VOID, GOOD):
                pulse_on(pulse, driver)
                say(data, driver, said)
            flags = [driver.read().flags for _ in range(3)]
        finally:
            driver.close()
    assert flags == [Flag.NONE, Flag.NO_FIX, Flag.NONE]


def test_pulses_and_sentences_do_not_share_a_receive_line():
    driver = PulseEdge("/dev/null", {"line": "rx", "nmea": True}, CLOCK)
    with pytest.raises(RefusedError, match="data_address"):
        driver.open()


def test_sentences_count_again_when_their_lost_port_is_back():
    """Otherwise every pulse of a night is marked since a cable was touched once."""
    server = socket.create_server(("127.0.0.1", 0))
    options = {
        "line": "rx",
        "interval_s": 5.0,
        "data_address": f"socket://127.0.0.1:{server.getsockname()[1]}",
        "fix_within_s": 3.0,
    }
    with server, ptys(1) as [pulse]:
        driver = PulseEdge(pulse[1], options, CLOCK)
        driver.open()
        flags = []
        try:
            for _ in range(2):
                data, _ = server.accept()
                pulse_on(pulse, driver)
                data.sendall(GOOD)
                flags.append(driver.read().flags)
                data.close()
                pulse_on(pulse, driver)  # stamped, and nobody vouches for it
                flags.append(driver.read().flags)
        finally:
            driver.close()
    assert flags == [Flag.NONE, Flag.NO_FIX] * 2
