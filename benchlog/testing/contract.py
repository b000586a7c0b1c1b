"""The driver contract as a suite of tests; subclass it, give it a peer."""

import itertools
import math
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any, ClassVar, Final
from unittest.mock import patch

from benchlog.clock import HostClock
from benchlog.driver import GRACE_S, Driver, Option, check_options
from benchlog.driver_values import (
    check_stamp,
    checked_identity,
    checked_messages,
    checked_promise,
    checked_sample,
)
from benchlog.errors import GarbledError, InstrumentError, LostError, SilentError
from benchlog.model import Dialect, Identity, Sample
from benchlog.testing.clocks import HurriedClock
from benchlog.testing.faults import (
    ASKED_FAULTS,
    CLOSED,
    LATE_LINE,
    MALFORMED,
    SILENT,
    Fault,
    replies,
)
from benchlog.testing.peers import Peer
from benchlog.testing.soundness import chances, check_error, raised, soon, sound

_RECONNECTS: Final = 20
_LOOKS: Final = 3
_SILENCES: Final = 3
_SLACK_S: Final = 1.0
"""Seconds a loaded computer may add to a bound."""


class DriverContract:
    """Every rule of `benchlog.driver` as a test.

    A subclass named `Test...` sets `driver`, `options` and `value`, and overrides
    `peer`. `faults` are what its peer may do: `ASKED_FAULTS` for an instrument that is
    asked (the default), `TALKING_FAULTS` for one that only talks, `UNCODED_FAULTS`
    where its lines are no decimal numbers. `malformed` are lines of which none may
    become a sample. `nowhere` is an address where nobody is: a socket by default; for
    a driver of serial lines name a port that is not there, None for one that needs no
    address.
    """

    driver: ClassVar[type[Driver]]
    options: ClassVar[Mapping[str, object]] = {}
    value: ClassVar[float]
    faults: ClassVar[tuple[Fault, ...]] = ASKED_FAULTS
    malformed: ClassVar[tuple[bytes, ...]] = MALFORMED
    nowhere: ClassVar[str | None] = "TCPIP::127.0.0.1::1::SOCKET"

    def peer(self) -> AbstractContextManager[Peer]:
        """Return a peer that gives `value` when asked."""
        raise NotImplementedError

    def make(self, address: str) -> Driver:
        """Return the driver under test, not yet open."""
        return self.driver(address, self.options, HurriedClock())

    @contextmanager
    def opened(self) -> Iterator[tuple[Peer, Driver]]:
        """Yield a peer and a driver that is open on it."""
        with self.peer() as peer:
            driver = self.make(peer.address)
            driver.open()
            try:
                yield peer, driver
            finally:
                driver.close()

    def pytest_generate_tests(self, metafunc: Any) -> None:
        """Spread the tests over faults and replies."""
        cls = metafunc.cls
        if "fault" in metafunc.fixturenames:
            names = [fault.name for fault in cls.faults]
            metafunc.parametrize("fault", cls.faults, ids=names)
        if "line" in metafunc.fixturenames:
            names = [repr(line[:20]) for line in cls.malformed]
            metafunc.parametrize("line", cls.malformed, ids=names)

    # --- what it says of itself

    def test_declares_what_it_measures(self) -> None:
        """Quantity and unit are words, and the class says what it is."""
        assert self.driver.quantity and self.driver.unit
        assert (self.driver.__doc__ or "").strip()

    def test_options_are_typed_and_explained(self) -> None:
        """Every option has help, and a default that it would accept itself."""
        names = [option.name for option in self.driver.options]
        assert len(names) == len(set(names))
        for option in self.driver.options:
            assert isinstance(option, Option) and option.help
            if option.default is not None:
                given = {option.name: option.default}
                assert not check_options(self.driver.options, given, "", "")[1] or (
                    _required(self.driver.options) - {option.name}
                )
            assert option.type in (str, int, float, bool, Dialect)

    # --- when all is well

    def test_reads_its_value(self) -> None:
        """A sample carries value, unit, the moment, and the instrument's words."""
        with self.opened() as (_, driver):
            before_ns = HostClock().mono_ns()
            sample = driver.read()
            after_ns = HostClock().mono_ns()
        assert isinstance(sample, Sample)
        assert math.isclose(sample.value, self.value, rel_tol=1e-12)
        assert sample.unit == driver.unit
        assert before_ns - 10**9 <= sample.mono_ns <= after_ns
        assert abs(sample.utc_ns - HostClock().utc_ns()) < 60e9
        assert sample.raw and sample.gate_s >= 0
        assert sample.step is None or 0 < sample.step < math.inf

    def test_hands_over_only_what_it_may(self) -> None:
        """Every field is of its type and within its range; the keeper refuses others.

        Numbers are int or float, no text, no Decimal, no True; limits are finite;
        stamps lie between opening and now; texts and raw bytes have an end.
        """
        with self.peer() as peer:
            driver = self.make(peer.address)
            opened_ns = driver.clock.mono_ns()
            driver.open()
            try:
                sound(checked_identity, driver.identify())
                promise = sound(checked_promise, driver)
                for _ in range(_LOOKS):
                    sample = sound(checked_sample, driver.read(), promise.unit)
                    sound(check_stamp, sample, opened_ns, driver.clock.mono_ns())
                    sound(checked_messages, driver.messages())
            finally:
                driver.close()

    def test_identity_does_not_change(self) -> None:
        """Who it is stays the same when it is opened again."""
        with self.opened() as (_, driver):
            first = driver.identify()
            driver.close()
            driver.open()
            again = driver.identify()
        assert isinstance(first, Identity) and first.text.strip()
        assert first.who == again.who

    def test_close_is_always_allowed(self) -> None:
        """Before opening, twice, and then it can be opened again."""
        with self.peer() as peer:
            driver = self.make(peer.address)
            driver.close()
            driver.open()
            driver.close()
            driver.close()
            driver.open()
            assert math.isclose(driver.read().value, self.value, rel_tol=1e-12)
            driver.close()

    def test_nothing_is_kept_of_old_connections(self) -> None:
        """Opening again and again holds no more files than opening once."""
        with self.opened() as (_, driver):
            before = _open_files()
            for _ in range(_RECONNECTS):
                driver.close()
                driver.open()
            driver.read()
            assert soon(lambda: _open_files() <= before + 1)

    def test_wall_clock_may_step(self) -> None:
        """An hour forth or back changes neither a reading nor a deadline."""
        for step_s in (3600.0, -3600.0):
            with self.opened() as (peer, driver):
                with patch("time.time", _stepping(step_s)):
                    sample = driver.read()
                    bound_s = driver.read_limit_s + GRACE_S + _SLACK_S
                    if SILENT in self.faults:
                        peer.misbehave(SILENT)
                        error, took_s = _failure(driver)
                        assert isinstance(error, SILENT.raises)
                        assert took_s < bound_s
                assert math.isclose(sample.value, self.value, rel_tol=1e-12)

    # --- when it is not

    def test_nobody_there(self) -> None:
        """Opening says so, names the place, and can be followed by close."""
        if self.nowhere is None:
            assert not self.driver.needs_address
            return
        driver = self.make(self.nowhere)
        error = raised(driver.open)
        driver.close()
        assert isinstance(error, LostError), repr(error)
        assert self.nowhere in str(error)

    def test_fault(self, fault: Fault) -> None:
        """A fault is the right error in bounded time; then all is well again."""
        for _ in range(_SILENCES):
            with self.opened() as (peer, driver):
                driver.read()
                peer.misbehave(fault)
                error, took_s = _failure(driver)
                assert took_s < driver.read_limit_s + GRACE_S + _SLACK_S
                check_error(error)
                if isinstance(error, fault.raises):
                    self._is_well_again(driver)
                    return
            if not isinstance(error, SilentError):
                break  # else a busy computer let the fault come late
        raise AssertionError(repr(error))

    def _is_well_again(self, driver: Driver) -> None:
        late = float(LATE_LINE)
        values = list(_recovered(driver))
        assert not any(math.isclose(value, late, rel_tol=1e-6) for value in values)
        assert math.isclose(values[-1], self.value, rel_tol=1e-12)

    def test_malformed_line_is_no_sample(self, line: bytes) -> None:
        """What is not one finite decimal number never becomes a sample."""
        for _ in range(_SILENCES):
            with self.opened() as (peer, driver):
                peer.misbehave(replies(line))
                error = _refused(driver, line)
            if not isinstance(error, SilentError):
                break  # else a busy computer let the line come late
        assert isinstance(error, GarbledError), (
            f"the malformed line {line[:60]!r} raised {type(error).__name__}; it must "
            "raise GarbledError"
        )
        assert error.raw, (
            f"the error for {line[:60]!r} does not carry the line: {error}"
        )
        assert error.raw in line or line in error.raw
        check_error(error)

    def test_closed_peer_is_noticed_at_once(self) -> None:
        """Within a second and without spinning."""
        if CLOSED not in self.faults:
            return
        with self.opened() as (peer, driver):
            driver.read()
            peer.hang_up()
            spent_s = time.process_time()
            error, took_s = _failure(driver)
            spent_s = time.process_time() - spent_s
        assert isinstance(error, LostError), repr(error)
        assert took_s < 1.0
        assert spent_s < 0.2


def _failure(driver: Driver) -> tuple[InstrumentError, float]:
    """Return the error that reading ends in, and how long that one read took.

    A few readings that had come before the trouble may still be delivered.
    """
    read = []
    for _ in range(20):
        began_ns = HostClock().mono_ns()
        try:
            read.append(driver.read())
        except InstrumentError as error:
            return error, (HostClock().mono_ns() - began_ns) / 1e9
    told = {sample.raw[:60]: sample.value for sample in read}
    raise AssertionError(
        f"every read succeeded, and one of them should not: lines were read as {told}"
    )


def _refused(driver: Driver, line: bytes) -> InstrumentError:
    """Return the error that a malformed line ends in, or tell what was made of it.

    A few good readings that had come before it may still be delivered.
    """
    for _ in range(20):
        try:
            sample = driver.read()
        except InstrumentError as error:
            return error
        if sample.raw.strip() == line.strip():
            raise AssertionError(
                f"the malformed line {line[:60]!r} was read as {sample.value!r} "
                f"{sample.unit}; it must raise GarbledError with the line as raw"
            )
    raise AssertionError(
        f"the malformed line {line[:60]!r} was passed over in silence: 20 samples came "
        "and no error; it must raise GarbledError with the line as raw"
    )


def _recovered(driver: Driver) -> Iterator[float]:
    """Reopen as the keeper does until two values in a row have come; yield them."""
    for _ in chances():
        driver.close()
        try:
            driver.open()
            driver.identify()
            values = [driver.read().value, driver.read().value]
        except InstrumentError:
            continue
        yield from values
        return
    raise AssertionError("it never came back")


def _stepping(step_s: float) -> Callable[[], float]:
    """Return a wall clock that is stepped whenever somebody looks at it."""
    looks = itertools.count()
    return lambda: HostClock().utc_ns() / 1e9 + step_s * next(looks)


def _required(options: tuple[Option, ...]) -> set[str]:
    return {option.name for option in options if option.required}


def _open_files() -> int:
    return len(list(Path("/dev/fd").iterdir()))
