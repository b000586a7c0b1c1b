"""`command-setter`: a command of your own that sets something: a relay, a load, a fan.

Program and words are started without a shell; `{value}` in a word becomes the value.
`{state}` on or off. The command is bounded in time; of what it says the end is kept.
"""

import shlex
import shutil

from benchlog.driver import SETTER_OPTIONS, Option, Setter
from benchlog.driver_kit import run_program
from benchlog.driver_kit.settings import number_of
from benchlog.errors import LostError, RefusedError, SilentError, UsageError
from benchlog.model import Identity, Sample
from benchlog.units import as_stated


class CommandSetter(Setter):
    """Runs a program for every value; exit status 0 means that it took."""

    quantity = "setting"
    unit = "1"
    needs_address = False
    exclusive = False
    options = (
        *SETTER_OPTIONS,
        Option(
            "program",
            str,
            None,
            "the program to run: a name or a path, no arguments",
            required=True,
        ),
        Option(
            "arguments",
            str,
            "{value}",
            "words for it, separated by blanks; quotes as in a shell",
        ),
        Option("quantity", str, "setting", "what it sets: load, temperature, ..."),
        Option("unit", str, "1", "the unit of its values"),
        Option(
            "limit_s",
            float,
            10.0,
            "seconds it may take before it is ended",
            low=0.1,
            high=300.0,
        ),
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
        self._words(0.0)
        if shutil.which(self._program) is None:
            raise LostError(
                f"there is no program {self._program!r} that may be run; give its "
                "whole path in the bench file",
                address=self._program,
            )

    def identify(self) -> Identity:
        """See `Driver.identify`."""
        return Identity(f"{self._program}, run for each value", settings={})

    def read(self) -> Sample:
        """Return the value that was set last; a command cannot measure it."""
        now = self.clock.mono_ns(), self.clock.utc_ns()
        value = self.read_back()
        return Sample(value, self.unit, *now, raw=as_stated(value).encode())

    def set(self, value: float) -> None:
        """See `Setter.set`."""
        self.require_within(value)
        command = [self._program, *self._words(value)]
        status, tail = self._run(command)
        if status != 0:
            text = tail.decode("utf-8", errors="replace").strip() or "it said nothing"
            raise RefusedError(
                f"{self._program!r} ended with status {status} for "
                f"{as_stated(value)}: {text}",
                address=self._program,
                command=" ".join(command),
                raw=tail,
            )
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
    def _program(self) -> str:
        return str(self.settings["program"])

    def _words(self, value: float) -> list[str]:
        given = str(self.settings["arguments"])
        try:
            words = shlex.split(given)
        except ValueError as error:
            raise UsageError(
                f"arguments = {given!r} of the setter: {str(error).lower()}; close the "
                "quotes in the bench file"
            ) from error
        return [word.replace("{value}", as_stated(value, 12)) for word in words]

    def _run(self, command: list[str]) -> tuple[int, bytes]:
        """Run it to its end; return its status and the end of what it said."""
        real_s = number_of(self.settings, "limit_s", 10.0)
        done = run_program(command, real_s)
        if done.status is not None:
            return done.status, done.tail
        raise SilentError(
            f"{self._program!r} had not ended after {as_stated(real_s)} s and was "
            "ended; does it wait for somebody?",
            address=self._program,
            command=" ".join(command),
            raw=done.tail,
        )
