"""What every setter that is asked and told in lines does the same way."""

from typing import ClassVar, Final

from benchlog.driver import SETTER_OPTIONS, Setter
from benchlog.driver_kit.numbers import parse_number, parse_reply
from benchlog.driver_kit.scpi import Talk
from benchlog.driver_kit.scpi_driver import ScpiDriver
from benchlog.errors import GarbledError, RefusedError, WrongInstrumentError
from benchlog.masking import masked
from benchlog.units import as_stated

__all__ = ["SETTER_OPTIONS", "ScpiSetter"]
_CLOSE: Final = 1e-3
"""An instrument may round what it is set to by this share of its range."""


class ScpiSetter(ScpiDriver, Setter):
    """Sets a value, tells it back and measures it, as its dialect declares.

    Where the dialect has `stop`, letting go stops it; else it goes to `safe`.
    """

    switches = True
    ways: ClassVar[tuple[tuple[str, ...], ...]] = (("measure",), ("read",))

    def set(self, value: float) -> None:
        """See `Setter.set`; what the instrument complains of is a RefusedError.

        It is asked who it is before each order, unless it is let go of. Behind a
        gateway plugs can be exchanged while the connection holds, and another one may
        feed somebody else's devices. Raises WrongInstrumentError then; nothing is sent.
        """
        self.require_within(value)
        self._require_who()
        self._set_to(value)

    def _set_to(self, value: float) -> None:
        self.require_within(value)
        self._order("value_set", value=self.as_sent(value))

    def _require_who(self) -> None:
        """Raise WrongInstrumentError where another one answers, as far as it can."""
        talk, was = self._opened(), self.identify().text
        if not talk.knows("identify"):
            return
        text = self._who_now(talk)
        if text != was:
            raise WrongInstrumentError(
                f"{text[:200]!r} answers at {masked(self.address)} where {was!r} was; "
                "it is given no orders: put the right instrument back",
                address=self.address,
            )

    def read_back(self) -> float:
        """See `Setter.read_back`."""
        talk = self._opened()
        if not talk.knows("value_get"):
            raise RefusedError(
                f"dialect {talk.dialect.name!r} declares no value_get: what is set "
                "cannot be told back",
                address=self.address,
            )
        reply = talk.ask("value_get")
        return parse_reply(
            reply.line,
            talk.dialect,
            self.unit,
            address=self.address,
            command=reply.command,
        ).value

    def at_rest(self) -> bool:
        """See `Setter.at_rest`; without a word of the instrument, whether it is near.

        Near is a thousandth of its range.
        """
        talk = self._opened()
        if talk.knows("rest_get"):
            return self._flag("rest_get")
        low, high = self.bounds
        return abs(self.read().value - self.read_back()) <= _CLOSE * (high - low)

    def switch(self, on: bool) -> None:
        """See `Setter.switch`; what is read back must agree. Asked first, as `set`."""
        self._require_who()
        self._switch_to(on)

    def _switch_to(self, on: bool) -> None:
        talk = self._opened()
        role = "start" if on else "stop"
        if not talk.knows(role):
            super().switch(on)
        self._order(role)
        if talk.knows("running_get") and self._flag("running_get") is not on:
            raise RefusedError(
                f"{self.address} was switched {'on' if on else 'off'} and says that it "
                "is not",
                address=self.address,
            )

    def release(self) -> None:
        """See `Setter.release`: to `safe` where that is given, then stopped."""
        talk, safe = self._opened(), self.settings.get("safe")
        if isinstance(safe, int | float):
            self._set_to(float(safe))
        if talk.knows("stop"):
            self._switch_to(False)
        elif not isinstance(safe, int | float):
            raise RefusedError(
                f"{self.address} has neither a stop command nor a safe value; give "
                "safe = ... in the bench file",
                address=self.address,
            )

    def _order(self, role: str, **words: str) -> None:
        """Send a command with its value. Raises RefusedError for a complaint."""
        talk = self._opened()
        usual = talk.words
        talk.words = {**usual, **words}
        try:
            talk.tell(role)
            said = talk.drain_errors()
        finally:
            talk.words = usual
        if said:
            raise RefusedError(
                f"{self.address} refuses {role.replace('_', ' ')} "
                f"{' '.join(words.values())}: {'; '.join(dict.fromkeys(said))}".strip(),
                address=self.address,
            )

    def _flag(self, role: str) -> bool:
        """Ask for a yes or no: 1 or 0, ON or OFF."""
        reply = self._opened().ask(role)
        folded = reply.text.strip().upper()
        number = parse_number(folded)
        if folded in ("ON", "OFF"):
            return folded == "ON"
        if number is None or number.value not in (0.0, 1.0):
            raise GarbledError(
                f"{self.address} answered {reply.command!r} with {reply.text[:40]!r}; "
                "1 or 0 was expected",
                address=self.address,
                command=reply.command,
                raw=reply.line,
            )
        return number.value == 1.0

    def _set_up(self, talk: Talk) -> None:
        """Find out who is there; limit and pace are sent where they are known."""
        low, high = self.bounds
        if not low <= high:
            raise RefusedError(
                f"low = {as_stated(low)} lies above high = {as_stated(high)} in the "
                "bench file",
                address=self.address,
            )
        super()._set_up(talk)
        self.switches = type(self).switches and talk.knows("start")
        for name, role in (("limit_a", "limit_set"), ("rate_per_min", "rate_set")):
            given = self.settings.get(name)
            if isinstance(given, int | float) and talk.knows(role):
                self._order(role, **{name: as_stated(given, 12)})
