"""`command-trim`: a command of your own that sets the trim code, a programmer's say.

The words of the command are given as a list in the bench file and started without a
shell, so that a name with spaces or semicolons is only a name; `{code}` in a word
becomes the code. The command is bounded in time and in what it may say.
"""

import os
import shutil
import signal
import subprocess
import tempfile
from typing import IO, Final

from benchlog.driver import Option, Trimmer
from benchlog.errors import LostError, RefusedError, SilentError
from benchlog.model import Identity, Sample

_SAID: Final = 300


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
        Option("arguments", str, "{code}", "words for it, separated by blanks"),
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
        words = str(self.settings["arguments"]).split()
        command = [
            self._program,
            *(word.replace("{code}", str(code)) for word in words),
        ]
        with tempfile.TemporaryFile() as said:
            status = self._run(command, said)
            said.seek(0)
            tail = said.read(_SAID)
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

    def _run(self, command: list[str], said: IO[bytes]) -> int:
        limit = self.settings["limit_s"]
        real_s = float(limit) if isinstance(limit, int | float) else 10.0
        with subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        ) as process:
            try:
                return process.wait(real_s)
            except subprocess.TimeoutExpired as error:
                os.killpg(process.pid, signal.SIGKILL)  # and what it had started
                raise SilentError(
                    f"{self._program!r} had not ended after {real_s:g} s and was "
                    "ended; does it wait for somebody?",
                    address=self._program,
                    command=" ".join(command),
                ) from error
