"""Burning the code of one device: the bench file's programs, each in its own process.

They are run as letters of alarms are (`recorder/letters/letter.py`): without a shell,
in a small environment, ended with all that they started when their time is up. The
keeper waits for none of them.
"""

import contextlib
import os
import signal
import subprocess
from collections.abc import Mapping, Sequence
from typing import Final

from benchlog.clock import host_deadline
from benchlog.model import BurnRule
from benchlog.recorder.letters.messenger import started, words_of_end
from benchlog.recorder.lot.burn_contract import BurnBefore, BurnError
from benchlog.recorder.lot.feeding import Feed, SupplyAway
from benchlog.units import as_stated

_MORE_S: Final = 5.0  # our rule: as long as it takes to end what a program started


class BenchProgram:
    """A program of the bench file that was started for one device."""

    def __init__(
        self,
        command: tuple[str, ...],
        words: Mapping[str, object],
        limit_s: float,
        held: Sequence[int] = (),
    ) -> None:
        self._limit_s = limit_s
        try:
            self._process: subprocess.Popen[bytes] = started(
                words, command, "", limit_s, held=held
            )
        except (OSError, ValueError) as error:
            raise BurnError(f"its program could not be started: {error}") from error
        self._limit = host_deadline(limit_s + _MORE_S)

    @property
    def orders(self) -> tuple[()]:
        """What setters were told: it has told none."""
        return ()

    def outcome(self) -> str | None:
        """Return None while it runs, nothing when all was well, else why not."""
        if self._process.poll() is not None:
            return words_of_end(self._process)
        if not self._limit.passed:
            return None
        with contextlib.suppress(OSError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        words_of_end(self._process)
        return f"it had not ended after {as_stated(self._limit_s)} s and was ended"


class DeviceBurning:
    """How the code of one device is burned; see `Burning` of the trim session.

    `held` are the locks of the chip's instruments. A burn outlives a keeper that is
    killed, and nobody may touch the chip meanwhile.
    """

    def __init__(
        self,
        rule: BurnRule,
        words: Mapping[str, object],
        burned_before: BurnBefore | None,
        feed: Feed | None = None,
        held: Sequence[int] = (),
    ) -> None:
        self._rule, self._words, self._feed, self._held = rule, words, feed, held
        self.burned_before = burned_before

    @property
    def cycles(self) -> bool:
        """Whether there is a way to take the supply away."""
        return bool(self._rule.power_cycle) or self._feed is not None

    def burn(self, code: int) -> BenchProgram:
        """Start the program that burns a code. Raises BurnError."""
        return self._started(self._rule.command, code)

    def power_cycle(self, code: int) -> BenchProgram | SupplyAway:
        """Begin to take the supply away, by its setter or a program; BurnError."""
        if self._feed is not None:
            return SupplyAway(self._feed)
        return self._started(self._rule.power_cycle, code)

    def _started(self, command: tuple[str, ...], code: int) -> BenchProgram:
        words = {**self._words, "code": code}
        return BenchProgram(command, words, self._rule.limit_s, self._held)
