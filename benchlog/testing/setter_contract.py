"""The contract of setters as a suite of tests; subclass it, give it a peer."""

import math
import random
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, suppress
from functools import partial
from typing import Any, ClassVar, Final

from benchlog.clock import HostClock, host_sleep
from benchlog.driver import GRACE_S, Option, Setter, check_options
from benchlog.driver_values import checked_identity, checked_sample, real
from benchlog.errors import InstrumentError, LostError, RefusedError
from benchlog.model import Dialect
from benchlog.testing.clocks import HurriedClock
from benchlog.testing.faults import Fault, replies
from benchlog.testing.setter_peers import SetterPeer
from benchlog.testing.setter_scripts import NO_VALUES, SETTER_FAULTS
from benchlog.testing.soundness import chances, check_error, raised, soon, sound

_SLACK_S: Final = 1.0
"""Seconds a loaded computer may add to a bound."""
_CALLS: Final = 4
"""Questions that one order may take, each with its patience: as a keeper has it."""
_DRAWN: Final = 60
"""Values that are drawn, half of them beyond the bounds; our rule."""
_PAUSE_S: Final = 0.05
_NO_NUMBERS: Final = (math.nan, math.inf, -math.inf, None, "3", True, b"1", 1j, [1.0])
"""What is no finite number; it may never be set."""


class SetterContract:
    """Every rule of `benchlog.driver.Setter` as a test.

    A subclass named `Test...` sets `setter`, `options` and `values` (some that may be
    set, in turn), and overrides `peer`. `ends` are the lowest and highest value that
    the instrument of the test has, None where that are the setter's bounds. `step` is
    what the instrument rounds to. `faults` are what the peer may do when it is asked
    what it is set to, `malformed` lines of which none may be read back as a value.

    `asks` is False for one that cannot be asked, as a program that is started:
    it tells what was set last, or that it does not know. `lets_go` is False where
    letting go changes nothing, as with a trim code. `nowhere` is an address where
    nobody is, None for a setter without address.
    """

    setter: ClassVar[type[Setter]]
    options: ClassVar[Mapping[str, object]] = {}
    values: ClassVar[tuple[float, ...]]
    ends: ClassVar[tuple[float, float] | None] = None
    step: ClassVar[float] = 0.0
    faults: ClassVar[tuple[Fault, ...]] = SETTER_FAULTS
    malformed: ClassVar[tuple[bytes, ...]] = NO_VALUES
    asks: ClassVar[bool] = True
    lets_go: ClassVar[bool] = True
    nowhere: ClassVar[str | None] = "TCPIP::127.0.0.1::1::SOCKET"

    def peer(self) -> AbstractContextManager[SetterPeer]:
        """Return an instrument that can be set."""
        raise NotImplementedError

    def make(self, address: str, **more: object) -> Setter:
        """Return the setter under test, not yet open."""
        return self.setter(address, {**self.options, **more}, HurriedClock())

    @contextmanager
    def opened(self, **more: object) -> Iterator[tuple[SetterPeer, Setter]]:
        """Yield a peer and a setter that is open on it."""
        with self.peer() as peer:
            setter = self.make(peer.address, **more)
            setter.open()
            try:
                yield peer, setter
            finally:
                setter.close()

    def pytest_generate_tests(self, metafunc: Any) -> None:
        """Spread the tests over faults, replies and what is no number."""
        cls = metafunc.cls
        for name, several, said in (
            ("fault", cls.faults, lambda one: one.name),
            ("line", cls.malformed, lambda one: repr(one[:20])),
            ("wrong", _NO_NUMBERS, repr),
        ):
            if name in metafunc.fixturenames:
                metafunc.parametrize(name, several, ids=[said(one) for one in several])

    # --- what it says of itself

    def test_declares_what_it_sets(self) -> None:
        """Quantity and unit are words, options are typed, bounds are a range."""
        made = self.make("")
        assert made.quantity and made.unit and (self.setter.__doc__ or "").strip()
        low, high = made.bounds
        assert math.isfinite(low) and math.isfinite(high) and low <= high
        for option in self.setter.options:
            assert isinstance(option, Option) and option.help
            assert option.type in (str, int, float, bool, Dialect)
        given = dict(self.options)
        assert not check_options(self.setter.options, given, "", "")[1]

    def test_without_bounds_nothing_may_be_set(self) -> None:
        """Bounds are stated in the bench file, or the setter knows its own."""
        required = {one.name for one in self.setter.options if one.required}
        if not {"low", "high"} & required:
            low, high = self.make("").bounds
            assert low <= high
            return
        bare = {k: v for k, v in self.options.items() if k not in ("low", "high")}
        low, high = self.setter("", bare, HurriedClock()).bounds
        assert low > high

    # --- when all is well

    def test_what_is_set_arrives_and_is_read_back(self) -> None:
        """Each value arrives as it was ordered; read back it is the same."""
        with self.opened() as (peer, setter):
            sound(checked_identity, setter.identify())
            for value in self.values:
                setter.set(value)
                assert self._has_arrived(peer, value)
                assert self._same(sound(real, "back", setter.read_back()), value)
                sample = sound(checked_sample, setter.read(), setter.unit)
                assert math.isfinite(sample.value)
                assert isinstance(setter.at_rest(), bool)

    def test_bounds_may_be_set(self) -> None:
        """The ends of what may be set are included."""
        with self.opened() as (peer, setter):
            for value in self.ends or setter.bounds:
                setter.set(value)
                assert self._has_arrived(peer, value)

    def test_read_back_is_asked_each_time(self) -> None:
        """What somebody else set by hand is told, not what was ordered."""
        if not self.asks:
            return
        first, second = self.values[:2]
        with self.opened() as (peer, setter):
            setter.set(first)
            setter.read_back()
            peer.turn_to(second)
            assert self._same(setter.read_back(), second)

    def test_switch(self) -> None:
        """It turns on and off, or says that it has no switch and sends nothing."""
        with self.opened() as (peer, setter):
            if setter.switches:
                for on in (True, False, True):
                    setter.switch(on)
                return
            before = peer.heard()
            assert isinstance(raised(lambda: setter.switch(True)), RefusedError)
            assert peer.heard() == before

    # --- nothing beyond the bounds

    def test_what_is_no_number_is_never_sent(self, wrong: Any) -> None:
        """It is refused before a byte is sent, and nothing has changed."""
        with self.opened() as (peer, setter):
            setter.set(self.values[0])
            setter.read_back()
            before = peer.heard()
            assert isinstance(raised(lambda: setter.set(wrong)), RefusedError)
            assert peer.heard() == before
            assert self._same(setter.read_back(), self.values[0])

    def test_just_beyond_the_bounds_is_never_sent(self) -> None:
        """Not by the last digit of a float."""
        with self.opened() as (peer, setter):
            low, high = setter.bounds
            setter.set(self.values[0])
            setter.read_back()
            before = peer.heard()
            for value in (
                math.nextafter(low, -math.inf),
                math.nextafter(high, math.inf),
                *(low - 1.0, high + 1.0, -1e300, 1e300),
            ):
                error = raised(partial(setter.set, value))
                assert isinstance(error, RefusedError), value
                check_error(error)
            assert peer.heard() == before

    def test_no_drawn_value_gets_beyond_the_bounds(self) -> None:
        """Of values drawn about the bounds each is refused, or arrives within them.

        The bounds are narrowed to numbers that no instrument rounds to.
        """
        chance = random.Random(f"{self.setter.__name__} bounds")  # noqa: S311 - no secret
        names = {option.name for option in self.setter.options}
        with self.peer() as peer:
            narrow = self._narrowed() if {"low", "high"} <= names else {}
            setter = self.make(peer.address, **narrow)
            setter.open()
            low, high = setter.bounds
            span = high - low
            several = [
                *(low, high),
                *(chance.uniform(low - span, high + span) for _ in range(_DRAWN)),
            ]
            for value in several:
                with suppress(RefusedError):
                    setter.set(value)
            setter.close()
            arrived = peer.ordered()
        assert all(low <= value <= high for value in arrived), arrived

    # --- when it is not

    def test_nobody_there(self) -> None:
        """Opening says so, names the place, and can be followed by close."""
        if self.nowhere is None:
            assert not self.setter.needs_address
            return
        setter = self.make(self.nowhere)
        error = raised(setter.open)
        setter.close()
        assert isinstance(error, LostError), repr(error)
        assert self.nowhere in str(error)

    def test_close_is_always_allowed(self) -> None:
        """Before opening, twice, and then it can be opened again."""
        with self.peer() as peer:
            setter = self.make(peer.address)
            setter.close()
            setter.open()
            setter.close()
            setter.close()
            setter.open()
            setter.set(self.values[0])
            setter.close()

    def test_fault(self, fault: Fault) -> None:
        """A fault is the right error in bounded time; then it can be let go of."""
        with self.opened() as (peer, setter):
            setter.set(self.values[0])
            peer.misbehave(fault)
            error, took_s = _failure(setter.read_back)
            assert isinstance(error, fault.raises), repr(error)
            assert took_s < GRACE_S + _SLACK_S
            check_error(error)
            _recovered(setter)
            if self.lets_go:
                assert soon(peer.is_safe)

    def test_hostile_reply_is_no_value(self, line: bytes) -> None:
        """What is not one finite number is never read back as one."""
        with self.opened() as (peer, setter):
            setter.set(self.values[0])
            peer.misbehave(replies(line))
            error, _ = _failure(setter.read_back)
            assert isinstance(error, InstrumentError)
            check_error(error)

    def test_dead_peer(self) -> None:
        """Setting and letting go say so in bounded time, and never seem to succeed."""
        if self.nowhere is None:
            return
        with self.opened() as (peer, setter):
            setter.set(self.values[0])
            peer.hang_up()
            host_sleep(_PAUSE_S)
            error, took_s = _failure(lambda: _set_and_ask(setter, self.values[1]))
            assert isinstance(error, InstrumentError)
            assert took_s < _CALLS * (GRACE_S + _SLACK_S)
            check_error(error)
            _recovered(setter)

    # --- letting go

    def test_release_from_any_state(self) -> None:
        """When nothing was set, when it was, when it is on; and twice."""
        with self.opened() as (peer, setter):
            for value in (None, self.values[0], self.values[-1]):
                if value is not None:
                    setter.set(value)
                _switched_on(setter)
                setter.release()
                setter.release()
                if self.lets_go:
                    assert soon(peer.is_safe)
            assert all(
                setter.bounds[0] <= value <= setter.bounds[1]
                or (value == 0 and setter.quantity == "channel")
                for value in peer.ordered()
            )

    # --- details

    def _narrowed(self) -> dict[str, float]:
        """Return bounds within the given ones that are no round numbers."""
        low, high = self.make("").bounds
        if self.make("").quantity == "channel":
            return {}  # channels are whole numbers
        span = high - low
        return {"low": low + span / 7.0, "high": high - span / 11.0, **self._safe()}

    def _safe(self) -> dict[str, float]:
        """Return a safe value within the narrowed bounds, where one is given."""
        low, high = self.make("").bounds
        given = self.options.get("safe")
        return {} if given is None else {"safe": (low + high) / 2.0}

    def _has_arrived(self, peer: SetterPeer, value: float) -> bool:
        return soon(lambda: any(self._same(v, value) for v in peer.ordered()[-1:]))

    def _same(self, found: float, wanted: float) -> bool:
        return math.isclose(found, wanted, rel_tol=1e-6, abs_tol=0.51 * self.step)


def _set_and_ask(setter: Setter, value: float) -> None:
    setter.set(value)
    setter.read_back()


def _switched_on(setter: Setter) -> None:
    if setter.switches:
        setter.switch(True)


def _failure(call: Any) -> tuple[InstrumentError, float]:
    """Return the error that a call ends in, and how long it took, in real seconds."""
    began_ns = HostClock().mono_ns()
    try:
        found = call()
    except InstrumentError as error:
        return error, (HostClock().mono_ns() - began_ns) / 1e9
    raise AssertionError(f"it succeeded, and should not: {found!r}")


def _recovered(setter: Setter) -> None:
    """Reopen as the keeper does until it can be let go of."""
    for _ in chances():
        setter.close()
        with suppress(InstrumentError):
            setter.open()
            setter.release()
            return
    raise AssertionError("it could never be let go of again")
