"""The part of the driver contract that is for counters that stream."""

import math
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from typing import Any, ClassVar

from benchlog.clock import HostClock
from benchlog.driver import GRACE_S
from benchlog.driver_blocks import (
    StreamingDriver,
    check_block_stamps,
    checked_block,
)
from benchlog.driver_values import checked_messages, checked_promise
from benchlog.errors import GarbledError, InstrumentError
from benchlog.model import SampleBlock
from benchlog.testing.block_scripts import BLOCK_FAULTS
from benchlog.testing.clocks import HurriedClock
from benchlog.testing.contract import DriverContract
from benchlog.testing.faults import Fault
from benchlog.testing.peers import Peer
from benchlog.testing.soundness import chances, check_error, sound

_LOOKS = 3
_TRIES = 3
_SLACK_S = 1.0
"""Seconds a loaded computer may add to a bound."""


class BlockContract(DriverContract):
    """Every rule of a driver that hands over blocks as a test, after those of any.

    A subclass sets what `DriverContract` needs; its peer answers with the
    `block_values`, time after time. `odd_peer` gives the same values, of which those in
    `odd_values` are not finite. `block_faults` are what the answer may be instead:
    `BLOCK_FAULTS` for a definite-length block, `LINE_FAULTS` for a line.
    """

    block_values: ClassVar[tuple[float, ...]]
    odd_values: ClassVar[tuple[float, ...]]
    block_faults: ClassVar[tuple[Fault, ...]] = BLOCK_FAULTS

    driver: ClassVar[type[StreamingDriver]]

    def make(self, address: str) -> StreamingDriver:
        """Return the driver under test, not yet open."""
        return self.driver(address, self.options, HurriedClock())

    @contextmanager
    def opened(self) -> Iterator[tuple[Peer, StreamingDriver]]:
        """Yield a peer and a driver that is open on it."""
        with self.peer() as peer:
            driver = self.make(peer.address)
            driver.open()
            try:
                yield peer, driver
            finally:
                driver.close()

    def odd_peer(self) -> AbstractContextManager[Peer]:
        """Return a peer that gives `odd_values`."""
        raise NotImplementedError

    def pytest_generate_tests(self, metafunc: Any) -> None:
        """Spread the tests over what the answer may be instead of a block."""
        super().pytest_generate_tests(metafunc)
        if "block_fault" in metafunc.fixturenames:
            faults = metafunc.cls.block_faults
            names = [fault.name for fault in faults]
            metafunc.parametrize("block_fault", faults, ids=names)

    def test_hands_over_its_blocks(self) -> None:
        """Each reading once, in order, with a time of its own that is never to come."""
        with self.opened() as (_, driver):
            assert driver.streams is True
            before_ns = driver.clock.mono_ns()
            blocks = [driver.read_block() for _ in range(_LOOKS)]
            after_ns = driver.clock.mono_ns()
        for block in blocks:
            assert isinstance(block, SampleBlock) and block.unit == driver.unit
            pairs = zip(block.values.tolist(), self.block_values, strict=True)
            assert all(math.isclose(one, other, rel_tol=1e-12) for one, other in pairs)
            assert abs(block.utc_ahead_ns - _utc_ahead_ns()) < 60e9
            assert block.raw and block.gate_s > 0
        times = [ns for block in blocks for ns in block.mono_ns.tolist()]
        assert times == sorted(set(times))
        assert before_ns - 10**9 <= times[0] and times[-1] <= after_ns

    def test_hands_over_only_what_it_may_in_blocks(self) -> None:
        """Every field is of its type and within its range; others are refused."""
        with self.peer() as peer:
            driver = self.make(peer.address)
            opened_ns = driver.clock.mono_ns()
            driver.open()
            try:
                promise = sound(checked_promise, driver)
                for _ in range(_LOOKS):
                    block = sound(checked_block, driver.read_block(), promise.unit)
                    now_ns = driver.clock.mono_ns()
                    sound(check_block_stamps, block, opened_ns, now_ns)
                    sound(checked_messages, driver.messages())
            finally:
                driver.close()

    def test_a_reading_without_a_value_keeps_its_place(self) -> None:
        """NaN or infinite among the others: neither left out nor made a number."""
        with self.odd_peer() as peer:
            driver = self.make(peer.address)
            driver.open()
            try:
                block = driver.read_block()
            finally:
                driver.close()
        found = [math.isfinite(value) for value in block.values.tolist()]
        assert found == [math.isfinite(value) for value in self.odd_values]
        assert len(block.mono_ns) == len(self.odd_values)

    def test_reads_one_value_once_its_stream_has_ended(self) -> None:
        """For whoever wants no more; and then it streams again."""
        with self.opened() as (_, driver):
            driver.end_stream()
            driver.read_block()
            driver.end_stream()
            driver.end_stream()
            assert math.isclose(driver.read().value, self.value, rel_tol=1e-12)
            assert len(driver.read_block()) == len(self.block_values)

    def test_block_fault(self, block_fault: Fault) -> None:
        """What is no block is the right error in bounded time, and no reading."""
        with self.opened() as (peer, driver):
            driver.read_block()
            peer.misbehave(block_fault)
            began_ns = HostClock().mono_ns()
            error = _block_failure(driver)
            took_s = (HostClock().mono_ns() - began_ns) / 1e9
            assert isinstance(error, block_fault.raises), repr(error)
            assert took_s < driver.read_limit_s + GRACE_S + _SLACK_S
            assert error.raw or not isinstance(error, GarbledError)
            check_error(error)
            assert len(_recovered(driver)) == len(self.block_values)


def _block_failure(driver: StreamingDriver) -> InstrumentError:
    """Return the error that reading blocks ends in; one before it may be delivered."""
    for _ in range(_TRIES):
        try:
            driver.read_block()
        except InstrumentError as error:
            return error
    raise AssertionError("every block was taken, and one of them should not be")


def _recovered(driver: StreamingDriver) -> SampleBlock:
    """Reopen as the keeper does until a block comes; return it."""
    for _ in chances():
        driver.close()
        with suppress(InstrumentError):
            driver.open()
            driver.identify()
            return driver.read_block()
    raise AssertionError("it never came back")


def _utc_ahead_ns() -> int:
    return HostClock().utc_ns() - HostClock().mono_ns()
