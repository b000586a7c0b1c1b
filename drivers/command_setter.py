"""`command-setter`: a command of your own that sets something: a relay, a load, a fan.

It is started as `benchlog.driver_kit.UserProgram` tells; `{value}` in a word becomes
the value.
"""

from typing import Final

from benchlog.driver import SETTER_OPTIONS, Option, Setter
from benchlog.driver_kit import UserProgram, program_options
from benchlog.errors import RefusedError
from benchlog.model import Identity, Sample
from benchlog.units import as_stated

_VALUE: Final = "{value}"


class CommandSetter(Setter):
    """Runs a program for every value; exit status 0 means that it took."""

    quantity = "setting"
    unit = "1"
    needs_address = False
    exclusive = False
    options = (
        *SETTER_OPTIONS,
        *program_options(_VALUE),
        Option("quantity", str, "setting", "what it sets: load, temperature, ..."),
        Option("unit", str, "1", "the unit of its values"),
    )

    _last: float | None = None

    @property
    def read_limit_s(self) -> float:
        """See `Driver.read_limit_s`."""
        return 0.0

    @property
    def period_s(self) -> float:
        """See `Driver.period_s`: what was set is told now and then."""
        return 1.0

    def open(self) -> None:
        """See `Driver.open`; the program must be there."""
        self.unit = str(self.settings["unit"])
        self.quantity = str(self.settings["quantity"])
        self._program.require()

    def identify(self) -> Identity:
        """See `Driver.identify`."""
        return Identity(f"{self._program.name}, run for each value", settings={})

    def read(self) -> Sample:
        """Return the value that was set last; a command cannot measure it."""
        now = self.clock.mono_ns(), self.clock.utc_ns()
        value = self.read_back()
        return Sample(value, self.unit, *now, raw=as_stated(value).encode())

    def set(self, value: float) -> None:
        """See `Setter.set`."""
        self.require_within(value)
        self._program.run(self.as_sent(value), as_stated(value))
        self._last = value

    def read_back(self) -> float:
        """Return the value that was set last: its exit status said that it took."""
        if self._last is None:
            raise RefusedError("nothing was set yet: a command cannot tell it back")
        return self._last

    def release(self) -> None:
        """See `Setter.release`: to `safe`; without one it stays as it is."""
        safe = self.settings.get("safe")
        if isinstance(safe, int | float):
            self.set(float(safe))

    def close(self) -> None:
        """See `Driver.close`."""

    @property
    def _program(self) -> UserProgram:
        return UserProgram(self.settings, _VALUE, "setter")
