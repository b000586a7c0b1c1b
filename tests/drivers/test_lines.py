"""Instruments that only talk: when a line came, what is skipped, what is lost."""

import itertools
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest
from benchlog_drivers.line_counter import LineCounter
from benchlog_drivers.line_thermometer import LineThermometer
from waiting import wait_for

from benchlog.catalogue import load_dialect
from benchlog.clock import HostClock, VirtualClock, host_sleep
from benchlog.driver_kit import listener as _lines
from benchlog.errors import (
    GarbledError,
    InstrumentError,
    LostError,
    NoSignalError,
    OutOfStepError,
    RefusedError,
    SilentError,
)
from benchlog.testing import HurriedClock, PtyPeer, Talker, TcpPeer
from benchlog.testing.faults import Fault

HZ = load_dialect("line-hz")


def counting(start: int = 16_000_000) -> Talker:
    """Return a talker whose every line is another number."""
    numbers = itertools.count(start)
    return Talker(lambda: f"{next(numbers)}.0", interval_s=0.02)


@contextmanager
def opened(
    talker: Talker, kind: type[LineCounter] = LineCounter, **options: object
) -> Iterator[tuple[TcpPeer, LineCounter]]:
    given = {"dialect": HZ, "gate_s": 0.02, **options}
    with TcpPeer(talker) as peer:
        driver = kind(peer.address, given, HurriedClock())
        driver.open()
        try:
            yield peer, driver
        finally:
            driver.close()


def test_the_first_line_may_be_half_and_is_told_not_read() -> None:
    with opened(counting()) as (_, driver):
        (message,) = driver.messages()
        values = [driver.read().value for _ in range(3)]
    assert message.startswith("skipped the first line, maybe half: b'000.0")
    assert values == [16_000_001.0, 16_000_002.0, 16_000_003.0]


def test_lines_that_queue_keep_the_time_they_came() -> None:
    with opened(counting()) as (_, driver):
        driver.read()
        host_sleep(0.3)
        now_ns = HostClock().mono_ns()
        samples = [driver.read() for _ in range(10)]
    ages_s = [(now_ns - sample.mono_ns) / 1e9 for sample in samples]
    gaps_s = [older - newer for older, newer in itertools.pairwise(ages_s)]
    assert ages_s[0] > 0.2
    assert sum(gaps_s) / len(gaps_s) == pytest.approx(0.02, rel=0.5)
    assert [s.value - samples[0].value for s in samples] == list(range(10))


def test_too_many_lines_unread_are_out_of_step_not_forgotten(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(_lines, "MAX_WAITING", 5)
    with opened(counting()) as (_, driver):
        host_sleep(0.4)
        for _ in range(5):
            driver.read()
        for _ in range(2):  # and it stays so until it is opened again
            with pytest.raises(OutOfStepError, match="waited unread"):
                driver.read()


def test_half_a_line_and_the_next_make_no_number() -> None:
    half = Fault("half", lambda good: (good[:5], 0.15), ())
    with opened(counting(), gate_s=0.2) as (peer, driver):
        driver.read()
        peer.misbehave(half)
        with pytest.raises(GarbledError) as caught:
            for _ in range(10):
                assert driver.read().value < 17e6
        assert caught.value.raw.startswith(b"16000160000")
        assert driver.read().value < 17e6


def test_a_line_in_two_pieces_close_together_is_one() -> None:
    pieces = Fault("pieces", lambda good: (good[:5], 0.02, good[5:]), ())
    with opened(Talker("16000000.0", interval_s=0.2), gate_s=0.2) as (peer, driver):
        driver.read()
        peer.misbehave(pieces, pieces)
        assert [driver.read().value for _ in range(3)] == [16e6] * 3


def test_no_signal_keeps_the_words() -> None:
    none = Fault("none", lambda _: (b"----\r\n",), ())
    with opened(counting()) as (peer, driver):
        driver.read()
        peer.misbehave(none)
        with pytest.raises(NoSignalError) as caught:
            for _ in range(10):
                driver.read()
        assert caught.value.raw == b"----\r\n"
        driver.read()


def test_counts_in_ten_reference_seconds() -> None:
    talker = Talker("160000030", interval_s=0.02)
    options = {"gate_s": 10.0, "interval_s": 0.02}
    with opened(talker, dialect=load_dialect("line-counts"), **options) as (_, driver):
        sample = driver.read()
    assert (sample.value, sample.step, sample.gate_s) == (16_000_003.0, 0.1, 10.0)
    assert sample.raw == b"160000030"


def test_kilohertz_and_another_terminator() -> None:
    khz = replace(load_dialect("line-khz"), terminator="\r")
    talker = Talker("15999.8520 kHz", interval_s=0.02, terminator=b"\r")
    with opened(talker, dialect=khz) as (_, driver):
        sample = driver.read()
    assert sample.value == pytest.approx(15_999_852.0)
    assert sample.step == pytest.approx(0.1)


def test_it_says_that_it_cannot_be_asked() -> None:
    with opened(counting(), baud=115_200) as (_, driver):
        identity = driver.identify()
    assert "only talks" in identity.text
    assert identity.settings["baud"] == "115200 (stated)"
    assert identity.settings["gate_s"] == "0.02 (stated)"


def test_nobody_talks() -> None:
    driver = LineCounter("loop://", {"dialect": HZ, "gate_s": 0.02}, HurriedClock())
    with pytest.raises(SilentError) as caught:
        driver.open()
    for part in ("loop://", "nothing", "baud", "interval_s"):
        assert part in str(caught.value)


def test_a_rare_line_is_waited_for_by_the_first_reading() -> None:
    """Opening may not take minutes; a virtual clock knows that a day passes at once."""

    class Slow(VirtualClock):
        def real_s(self, bench_s: float) -> float:
            return bench_s

    with TcpPeer(counting()) as peer:
        driver = LineCounter(peer.address, {"dialect": HZ, "gate_s": 60.0}, Slow())
        driver.open()
        assert driver.messages() == ()
        assert driver.read_limit_s == 120.0
        driver.read()
        assert driver.messages()[0].startswith("skipped the first line")
        driver.close()


def test_a_port_in_use_is_lost_with_the_reason() -> None:
    with PtyPeer(counting()) as peer:
        options = {"dialect": HZ, "gate_s": 0.02}
        first = LineCounter(peer.address, options, HurriedClock())
        second = LineCounter(peer.address, options, HurriedClock())
        first.open()
        with pytest.raises(LostError, match="not open elsewhere"):
            second.open()
        first.close()


def test_a_dialect_that_asks_is_refused() -> None:
    options = {"dialect": load_dialect("scpi-1999")}
    driver = LineCounter("loop://", options, HurriedClock())
    with pytest.raises(RefusedError, match="talks is 'scpi'"):
        driver.open()


def test_a_thermometer_looked_at_now_and_then_gives_its_newest_line() -> None:
    said: list[float] = []

    def line() -> str:
        said.append(20.0 + len(said) / 10)
        return f"{said[-1]:.1f} C"

    talker = Talker(line, interval_s=0.02)
    options = {
        "dialect": load_dialect("line-celsius"),
        "interval_s": 0.02,
        "every_s": 0.3,
    }
    with TcpPeer(talker) as peer:
        driver = LineThermometer(peer.address, options, HurriedClock())
        driver.open()
        wait_for(lambda: len(said) > 12)
        newest = said[-2]  # the very last may be on its way
        sample = driver.read()
        age_s = (HostClock().mono_ns() - sample.mono_ns) / 1e9
        driver.close()
    assert driver.period_s == 0.3
    assert age_s < driver.period_s  # the line before it would be older
    assert sample.value > newest - 0.05 > 20.8
    with pytest.raises(InstrumentError, match="is not open"):
        driver.read()
