"""Drivers against the simulated bench: HiSLIP, VXI-11, sockets, ptys, RFC 2217.

The simulated instruments are a second opinion: written by themselves, after the
protocols' standards, they record every value they have served.
"""

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import pyvisa
from benchlog_drivers.line_counter import LineCounter
from benchlog_drivers.scpi_counter import ScpiCounter

from benchlog.catalogue import load_dialect
from benchlog.clock import HostClock
from benchlog.driver import Driver
from benchlog.errors import InstrumentError, LostError, NoSignalError, OverloadError
from benchlog.simulate import Scenario, SimulatedBench, Via
from benchlog.simulate.physics.oscillator import OscillatorSpec
from benchlog.simulate.scenario import CounterAt, SimulatedPosition
from benchlog.testing import HurriedClock

# pySerial drops the socket of an RFC 2217 line unclosed when the other side is faster.
pytestmark = pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <socket:pytest.PytestUnraisableExceptionWarning"
)
ASKED = (Via.TCP, Via.SERIAL, Via.HISLIP, Via.VXI11)
TALKING = (Via.LINE, Via.LINE_TCP, Via.RFC2217)
GATE_S = 0.02


@contextmanager
def on(via: Via) -> Iterator[tuple[SimulatedBench, Driver]]:
    """Yield a bench with one counter reached in one way, and a driver open on it."""
    place = SimulatedPosition("A", OscillatorSpec(nominal_hz=16e6, offset_ppm=-9.25))
    counter = CounterAt(name="counter", inputs={1: "A"}, via=(via,), gate_s=GATE_S)
    scenario = Scenario(places=(place,), counters=(counter,), thermometer=None)
    with SimulatedBench(scenario, HostClock()) as bench:
        talks = via in TALKING
        dialect = load_dialect("line-hz" if talks else "scpi-1999")
        kind = LineCounter if talks else ScpiCounter
        options = {"dialect": dialect, "gate_s": GATE_S}
        driver = kind(bench.addresses()["counter"], options, HurriedClock())
        driver.open()
        try:
            yield bench, driver
        finally:
            driver.close()


def failure(driver: Driver) -> InstrumentError:
    """Return the error that reading ends in; what had come before may be read yet."""
    for _ in range(20):
        try:
            driver.read()
        except InstrumentError as error:
            return error
    raise AssertionError("every read succeeded")


def recover(driver: Driver) -> None:
    """Close and open again until it answers, as the keeper does."""
    for _ in range(20):
        driver.close()
        try:
            driver.open()
        except InstrumentError:
            HostClock().sleep(0.05)
        else:
            return
    raise AssertionError("it never came back")


def served_soon(bench: SimulatedBench, texts: set[bytes]) -> bool:
    """Whether all were served whole; the bench writes down a value once it is sent."""
    for _ in range(50):
        whole = {
            value.text.encode()
            for value in bench.served("counter")
            if value.fault in ("", "late")
        }
        if texts <= whole:
            return True
        HostClock().sleep(0.02)
    return False


@pytest.mark.parametrize("via", [*ASKED, *TALKING])
def test_readings_are_what_was_served(via: Via) -> None:
    with on(via) as (bench, driver):
        samples = [driver.read() for _ in range(5)]
        assert served_soon(bench, {sample.raw for sample in samples})
    assert all(sample.value == float(sample.raw) for sample in samples)
    assert samples[-1].value == pytest.approx(16e6 * (1 - 9.25e-6), rel=1e-6)
    stamps = [sample.mono_ns for sample in samples]
    assert stamps == sorted(stamps)


@pytest.mark.parametrize("via", ASKED)
def test_who_it_is_and_that_it_is_simulated(via: Via) -> None:
    with on(via) as (_, driver):
        identity = driver.identify()
    assert identity.simulated
    assert identity.settings["gate_s"] == "+2.000000000E-02"


@pytest.mark.parametrize("via", [*ASKED, *TALKING])
def test_a_peer_that_leaves_is_noticed_within_a_second(via: Via) -> None:
    with on(via) as (bench, driver):
        driver.read()
        bench.drop("counter")
        began_ns, spent_s = HostClock().mono_ns(), time.thread_time()
        error = failure(driver)
        took_s = (HostClock().mono_ns() - began_ns) / 1e9
        spent_s = time.thread_time() - spent_s
        assert isinstance(error, LostError), repr(error)
        assert took_s < 1.0
        assert spent_s < 0.2 * max(took_s, 0.1)
        recover(driver)
        assert driver.read().value == pytest.approx(16e6, rel=1e-4)


@pytest.mark.parametrize("via", [*ASKED, *TALKING])
def test_faults_never_become_readings(via: Via) -> None:
    """Whatever goes wrong: every value read was served, whole and unspoilt."""
    with on(via) as (bench, driver):
        texts, errors = [driver.read().raw], 0
        for fault in ("silent", "half", "garbage", "late 0.7", "cut"):
            bench.faults["counter"].order(*fault.split())
            wanted = len(texts) + 2
            while len(texts) < wanted:
                try:
                    texts.append(driver.read().raw)
                except InstrumentError as error:
                    assert str(error).strip()
                    errors += 1
                    recover(driver)
        assert served_soon(bench, set(texts))
    assert errors >= (5 if via in ASKED else 2)


@pytest.mark.parametrize("via", ASKED)
@pytest.mark.parametrize(
    ("fault", "kind"), [("no-signal", NoSignalError), ("overload", OverloadError)]
)
def test_codes_for_no_value(via: Via, fault: str, kind: type[InstrumentError]) -> None:
    with on(via) as (bench, driver):
        bench.faults["counter"].order(fault)
        error = failure(driver)
        assert isinstance(error, kind)
        assert error.raw.strip()
        driver.read()  # the line is still in step


@pytest.mark.parametrize("via", ASKED)
def test_forty_connections_leave_nothing(via: Via) -> None:
    with on(via) as (_, driver):
        sessions = pyvisa.ResourceManager("@py").visalib.sessions
        for _ in range(5):
            driver.close()
            driver.open()
        files, held = len(os.listdir("/proc/self/fd")), len(sessions)
        for _ in range(40):
            driver.close()
            driver.open()
        driver.read()
        assert len(sessions) == held
        for _ in range(50):  # the bench closes its ends a bit later
            if len(os.listdir("/proc/self/fd")) <= files:
                return
            HostClock().sleep(0.02)
        raise AssertionError("files are left open")


def test_a_step_of_the_wall_clock_changes_no_deadline(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An hour forth at every look, on the ways whose deadlines are ours."""
    for via in (Via.TCP, Via.SERIAL, Via.LINE, Via.RFC2217):
        with on(via) as (bench, driver):
            looks = iter(range(10**9))
            with monkeypatch.context() as patched:
                patched.setattr("time.time", lambda looks=looks: 3600.0 * next(looks))
                driver.read()
                bench.faults["counter"].order("silent", times=-1)
                began_ns = HostClock().mono_ns()
                failure(driver)
                assert 0.15e9 < HostClock().mono_ns() - began_ns < 5e9
