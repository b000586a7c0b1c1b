"""What every driver that asks in SCPI does the same way: open, identify, close."""

from collections.abc import Mapping
from typing import ClassVar, Final

from benchlog.clock import HostClock
from benchlog.driver import Driver, Option
from benchlog.driver_kit.connect import link_wanted, open_link
from benchlog.driver_kit.instrument_locks import may_be_in_use, refuse_in_use
from benchlog.driver_kit.numbers import checked_dialect, parse_reply
from benchlog.driver_kit.scpi import MAX_ERRORS, Talk, identity_of
from benchlog.driver_kit.settings import apply_settings, number_of, words_of
from benchlog.errors import (
    InstrumentError,
    LostError,
    NoSignalError,
    OverloadError,
    RefusedError,
    WrongInstrumentError,
)
from benchlog.masking import masked
from benchlog.model import Dialect, Identity, Sample
from benchlog.units import NS_PER_S

EXTRA: Final = Option(
    "extra_s",
    float,
    0.0,
    "seconds that any answer may take, beyond the gate",
    low=0,
    high=3600,
)
"""The option of every driver that asks: patience."""
_ADVICE: Final = (
    "it answered when it was opened: check the signal and the trigger level, or raise "
    "extra_s"
)
WHO_S: Final = 5.0
"""Real seconds after which it is asked anew who it is; our rule: nobody exchanges two
plugs sooner."""
_SHARE: Final = 0.01  # our rule: of all time, asking who it is takes no more
INPUT: Final = Option("input", int, None, "which of its inputs", low=1, high=999)
"""The option of a thermometer or meter with several inputs."""


class ScpiDriver(Driver):
    """An instrument that is asked and then answers."""

    ways: ClassVar[tuple[tuple[str, ...], ...]] = (("read",), ("initiate", "fetch"))
    """Roles that fetch a value, the best first; the last role of each is a query."""

    _talk: Talk | None = None
    _lost_step: bool = False
    _quiet: bool = False
    _identity: Identity | None = None
    _messages: tuple[str, ...] = ()
    _who_ns: int = 0
    _who_pause_s: float = WHO_S

    @property
    def read_limit_s(self) -> float:
        """See `Driver.read_limit_s`."""
        return self._gate_s() + number_of(self.settings, "extra_s")

    @property
    def period_s(self) -> float:
        """See `Driver.period_s`; a counter has no `every_s` and never pauses."""
        return number_of(self.settings, "every_s")

    @classmethod
    def address_wanted(cls, address: str, settings: Mapping[str, object]) -> str:
        """See `Driver.address_wanted`."""
        return link_wanted(address, settings)

    def open(self) -> None:
        """See `Driver.open`; leaves the instrument set up and its settings known."""
        self.close()
        dialect = self._dialect()
        # a reading that another program's run waits for is not to be cut
        self._quiet = "identify" in dialect.commands and may_be_in_use(self.address)
        link = open_link(
            self.address, dialect.terminator, self.settings, clear=not self._quiet
        )
        extra_s = number_of(self.settings, "extra_s")
        self._talk = Talk(
            link=link,
            dialect=dialect,
            clock=self.clock,
            words=self._words(),
            extra_s=extra_s,
        )
        try:
            self._set_up(self._talk)
        except BaseException:
            self.close()
            raise

    def identify(self) -> Identity:
        """See `Driver.identify`; as it was found when the connection was opened."""
        self._opened()
        assert self._identity is not None  # set by open, together with the link
        return self._identity

    def read(self) -> Sample:
        """See `Driver.read`; every `WHO_S` it is asked first who it is.

        Behind a gateway plugs can be exchanged while the connection holds. Raises
        WrongInstrumentError then, and RefusedError where somebody else has set it.
        """
        talk = self._opened()
        self._require_same(talk)
        reply = talk.ask(*self._way(talk), limit_s=self._gate_s())
        gate_s = self._gate_s()
        try:
            number = parse_reply(
                reply.line,
                talk.dialect,
                self.unit,
                gate_s=gate_s,
                address=self.address,
                command=reply.command,
            )
        except (NoSignalError, OverloadError) as error:
            self._collect(talk, error)
            raise
        return Sample(
            number.value,
            self.unit,
            reply.mono_ns,
            reply.utc_ns,
            gate_s,
            reply.line.strip(b" \t\r\n"),
            number.step,
        )

    def select(self) -> None:
        """See `Driver.select`; what the input before needed is set anew as well."""
        talk = self._opened()
        talk.tell("configure")
        apply_settings(talk, self.settings)

    def close(self) -> None:
        """See `Driver.close`."""
        talk, self._talk = self._talk, None
        if talk is not None:
            self._lost_step = talk.lost_step
            talk.link.close()

    def messages(self) -> tuple[str, ...]:
        """See `Driver.messages`."""
        said, self._messages = self._messages, ()
        return said

    def _gate_s(self) -> float:
        """Return the gate or integration time that a value comes with."""
        return 0.0

    def _words(self) -> dict[str, str]:
        """Return the settings that commands may name in braces."""
        return words_of(self.settings)

    def _dialect(self) -> Dialect:
        """Return the dialect, checked to be of use here."""
        return checked_dialect(self, "scpi")

    def _set_up(self, talk: Talk) -> None:
        """Find out who is there, clear and configure it, read its settings back."""
        self._way(talk)
        if not self._quiet:
            talk.tell("stream_end")  # it may stream still for somebody who died
        text = ""
        if talk.knows("identify"):
            patience_s = self._gate_s() if self._quiet else None
            text, late = talk.greet(patience_s)
            self._who_ns, self._who_pause_s = HostClock().mono_ns(), WHO_S
            refuse_in_use(identity_of(text, {}), self.address)
            self._say(late)
            if self._quiet:
                talk.tell("stream_end", "abort")
        elif self._lost_step:
            self._say(talk.hush())
        self._say(talk.drain_errors())
        talk.tell("clear", "configure")
        settings = apply_settings(talk, self.settings)
        errors = talk.drain_errors()
        self._say(errors)
        unsure = [name for name, got in settings.items() if "not read back" in got]
        if errors and unsure:
            said = "; ".join(dict.fromkeys(errors))
            raise RefusedError(
                f"{self.address} reports {said} after setting "
                f"{', '.join(unsure)}; give values that it takes",
                address=self.address,
            )
        settings["dialect"] = talk.dialect.name
        talk.link.advice = _ADVICE
        self._identity = (
            identity_of(text, settings) if text else self._unnamed(settings)
        )

    def _require_same(self, talk: Talk) -> None:
        """Raise WrongInstrumentError where another one answers by now.

        It is asked where it can be, and not again too soon.
        """
        held_s = (HostClock().mono_ns() - self._who_ns) / NS_PER_S
        if held_s < self._who_pause_s or not talk.knows("identify"):
            return
        text, was = self._who_now(talk), self.identify()
        if identity_of(text, {}).who != was.who:
            raise WrongInstrumentError(
                f"{text[:200]!r} answers at {masked(self.address)} where {was.text!r} "
                f"was: put the right instrument back. What came in the {held_s:.0f} s "
                "before, since it was asked last, may be of either",
                address=self.address,
                raw=text.encode(errors="replace"),
            )
        self._require_settings(talk, held_s)

    def _require_settings(self, talk: Talk, held_s: float) -> None:
        """Raise RefusedError where a setting is another one than `held_s` before."""

    def _who_now(self, talk: Talk) -> str:
        """Ask who answers; one that takes long for it is asked more seldom."""
        asked_ns = HostClock().mono_ns()
        text = talk.who()
        self._who_ns = HostClock().mono_ns()
        took_s = (self._who_ns - asked_ns) / NS_PER_S
        self._who_pause_s = max(WHO_S, took_s / _SHARE)
        return text

    def _unnamed(self, settings: Mapping[str, str]) -> Identity:
        """Return the identity of what cannot be asked for one."""
        text = f"something at {masked(self.address)} that cannot be asked who it is"
        return Identity(text, serial=masked(self.address), settings=settings)

    def _way(self, talk: Talk) -> tuple[str, ...]:
        """Return the roles that fetch a value in this dialect."""
        for way in self.ways:
            if all(talk.knows(role) for role in way):
                return way
        wanted = " or ".join("+".join(way) for way in self.ways)
        raise RefusedError(
            f"dialect {talk.dialect.name!r} declares no way to fetch a value; it needs "
            f"{wanted}",
            address=self.address,
        )

    def _collect(self, talk: Talk, error: InstrumentError) -> None:
        """Keep what the error queue says beside `error`, which matters more."""
        try:
            self._say(talk.drain_errors())
        except InstrumentError as another:
            error.add_note(str(another))

    def _say(self, messages: tuple[str, ...]) -> None:
        self._messages = (*self._messages, *messages)[-MAX_ERRORS:]

    def _opened(self) -> Talk:
        if self._talk is None:
            raise LostError(
                f"{self.address} is not open; open it first", address=self.address
            )
        return self._talk
