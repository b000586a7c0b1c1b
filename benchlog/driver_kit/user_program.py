"""A program of the user's that carries one order out, for drivers that are commands.

Program and words are started without a shell, so that a name with spaces or semicolons
is only a name; a word in braces becomes the value, and quotes hold a word with blanks
together. The program is bounded in time; of what it writes only the end is kept.
"""

import shlex
import shutil
from collections.abc import Mapping
from typing import Final

from benchlog.driver import Option
from benchlog.driver_kit.programs import run_program
from benchlog.driver_kit.settings import number_of
from benchlog.errors import LostError, RefusedError, SilentError, UsageError
from benchlog.units import as_stated

_LIMIT_S: Final = 10.0  # our rule: setting something takes a moment


def program_options(placeholder: str) -> tuple[Option, ...]:
    """Return the options `program`, `arguments` and `limit_s` of such a driver."""
    return (
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
            placeholder,
            "words for it, separated by blanks; quotes as in a shell",
        ),
        Option(
            "limit_s",
            float,
            _LIMIT_S,
            "seconds it may take before it is ended",
            low=0.1,
            high=300.0,
        ),
    )


class UserProgram:
    """The program that a driver's options name.

    `placeholder` is the word in braces that becomes the value; `whose` names the kind
    of instrument in an error.
    """

    def __init__(
        self, settings: Mapping[str, object], placeholder: str, whose: str
    ) -> None:
        self.name = str(settings["program"])
        self._arguments = str(settings["arguments"])
        self._limit_s = number_of(settings, "limit_s", _LIMIT_S)
        self._placeholder, self._whose = placeholder, whose

    def require(self) -> None:
        """Raise LostError when there is no such program, UsageError for its words."""
        self._words("0")
        if shutil.which(self.name) is None:
            raise LostError(
                f"there is no program {self.name!r} that may be run; give its "
                "whole path in the bench file",
                address=self.name,
            )

    def run(self, value: str, what: str) -> None:
        """Run it for a value to its end; `what` names the value in an error.

        Raises RefusedError with the end of what it wrote when its exit status is not 0,
        SilentError when it had to be ended.
        """
        command = [self.name, *self._words(value)]
        done = run_program(command, self._limit_s)
        if done.status is None:
            raise SilentError(
                f"{self.name!r} had not ended after {as_stated(self._limit_s)} s and "
                "was ended; does it wait for somebody?",
                address=self.name,
                command=" ".join(command),
                raw=done.tail,
            )
        if done.status != 0:
            text = done.tail.decode("utf-8", errors="replace").strip()
            raise RefusedError(
                f"{self.name!r} ended with status {done.status} for {what}: "
                f"{text or 'it said nothing'}",
                address=self.name,
                command=" ".join(command),
                raw=done.tail,
            )

    def _words(self, value: str) -> list[str]:
        try:
            words = shlex.split(self._arguments)
        except ValueError as error:
            raise UsageError(
                f"arguments = {self._arguments!r} of the {self._whose}: "
                f"{str(error).lower()}; close the quotes in the bench file"
            ) from error
        return [word.replace(self._placeholder, value) for word in words]
