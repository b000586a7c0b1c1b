"""`command-trim`: a command of your own that sets the trim code, a programmer's say.

Program and words are started without a shell, so that a name with spaces or semicolons
is only a name; `{code}` in a word becomes the code, and quotes hold a word with blanks
together. The command is bounded in time; of what it says only the end is kept.
"""

import shlex
import shutil

from benchlog.driver import Option, Trimmer
from benchlog.driver_kit import run_program
from benchlog.errors import LostError, RefusedError, SilentError, UsageError
from benchlog.model import Identity, Sample
from benchlog.units import as_stated


class CommandTrim(Trimmer):
    """Runs a program for every code; exit status 0 means that it took."""

    needs_address = False
    exclusive = False
    options = (
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
            "{code}",
            "words for it, separated by blanks; quotes as in a shell",
        ),
        Option(
            "limit_s",
            float,
            10.0,
            "seconds it may take before it is ended",
            low=0.1,
            high=300.0,
        ),
    )

    _last: int | None = None

    @property
    def read_limit_s(self) -> float:
        """See `Driver.read_limit_s`."""
        return 0.0

    def open(self) -> None:
        """See `Driver.open`; the program must be there."""
        self._words(0)
        if shutil.which(self._program) is None:
            raise LostError(
                f"there is no program {self._program!r} that may be run; give its "
                "whole path in the bench file",
                address=self._program,
            )

    def identify(self) -> Identity:
        """See `Driver.identify`."""
        return Identity(f"{self._program}, run for each code", settings={})

    def read(self) -> Sample:
        """Return the code that was set last; a command cannot tell it back."""
        if self._last is None:
            raise RefusedError("no code was set yet: a command cannot tell one back")
        now = self.clock.mono_ns(), self.clock.utc_ns()
        return Sample(float(self._last), "code", *now, raw=str(self._last).encode())

    def set_code(self, code: int) -> None:
        """See `Trimmer.set_code`."""
        command = [self._program, *self._words(code)]
        status, tail = self._run(command)
        if status != 0:
            text = tail.decode("utf-8", errors="replace").strip() or "it said nothing"
            raise RefusedError(
                f"{self._program!r} ended with status {status} for code {code}: {text}",
                address=self._program,
                command=" ".join(command),
                raw=tail,
            )
        self._last = code

    def close(self) -> None:
        """See `Driver.close`."""

    @property
    def _program(self) -> str:
        return str(self.settings["program"])

    def _words(self, code: int) -> list[str]:
        given = str(self.settings["arguments"])
        try:
            words = shlex.split(given)
        except ValueError as error:
            raise UsageError(
                f"arguments = {given!r} of the trimmer: {str(error).lower()}; close "
                "the quotes in the bench file"
            ) from error
        return [word.replace("{code}", str(code)) for word in words]

    def _run(self, command: list[str]) -> tuple[int, bytes]:
        """Run it to its end; return its status and the end of what it said."""
        limit = self.settings["limit_s"]
        real_s = float(limit) if isinstance(limit, int | float) else 10.0
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
