"""`command-trim`: a command of your own that sets the trim code, a programmer's say.

It is started as `benchlog.driver_kit.UserProgram` tells; `{code}` in a word becomes the
code.
"""

from typing import Final

from benchlog.driver import MOST_CODE, TRIM, Setter, as_code
from benchlog.driver_kit import UserProgram, program_options
from benchlog.errors import RefusedError
from benchlog.model import Identity, Sample

_CODE: Final = "{code}"


class CommandTrim(Setter):
    """Runs a program for every code; exit status 0 means that it took."""

    quantity = TRIM
    unit = "code"
    needs_address = False
    exclusive = False
    options = program_options(_CODE)

    _last: int | None = None

    @property
    def read_limit_s(self) -> float:
        """See `Driver.read_limit_s`."""
        return 0.0

    def open(self) -> None:
        """See `Driver.open`; the program must be there."""
        self._program.require()

    def identify(self) -> Identity:
        """See `Driver.identify`."""
        return Identity(f"{self._program.name}, run for each code", settings={})

    def read(self) -> Sample:
        """Return the code that was set last; a command cannot tell it back."""
        if self._last is None:
            raise RefusedError("no code was set yet: a command cannot tell one back")
        now = self.clock.mono_ns(), self.clock.utc_ns()
        return Sample(float(self._last), "code", *now, raw=str(self._last).encode())

    @property
    def bounds(self) -> tuple[float, float]:
        """See `Setter.bounds`: the part's safe codes are narrower."""
        return (0.0, float(MOST_CODE))

    def set(self, value: float) -> None:
        """See `Setter.set`."""
        code = as_code(self, value)
        self._program.run(str(code), f"code {code}")
        self._last = code

    def read_back(self) -> float:
        """See `Setter.read_back`."""
        return self.read().value

    def release(self) -> None:
        """See `Setter.release`: a code harms nobody, so it stays."""

    def close(self) -> None:
        """See `Driver.close`."""

    @property
    def _program(self) -> UserProgram:
        return UserProgram(self.settings, _CODE, "trimmer")
