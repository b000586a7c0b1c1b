"""Telling somebody of an alarm: letters under way, bounded in number and time.

Each is a process of its own that ends by itself (`letter_process.py`), so that neither
a network that swallows everything nor a program that hangs can hold a keeper up.
"""

import contextlib
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from benchlog.clock import Deadline, host_deadline, host_sleep
from benchlog.units import as_stated, printable

# _RUN_S, _LIMIT_S: our rule: a program, then two tries to post, end within the limit.
_RUN_S: Final = 30.0
_LIMIT_S: Final = 60.0
_LEAVE_S: Final = 3.0  # our rule: it ends all that it started within two
_MOST_BYTES: Final = 60_000  # our rule: a pipe takes them at once (65,536 on Linux)
_MOST: Final = 8  # our rule: bounds processes
_MOST_SAID: Final = 300  # our rule: a line or two


@dataclass(slots=True)
class _Sent:
    letter: Mapping[str, object]
    process: "subprocess.Popen[bytes]"
    limit: Deadline
    hung: bool = False


class Messenger:
    """Sends letters, sees to it that none stays, and says which did not arrive."""

    def __init__(self, run_s: float = _RUN_S) -> None:
        self._run_s = run_s
        self._sent: list[_Sent] = []

    @property
    def under_way(self) -> int:
        """How many letters have not come to an end yet."""
        return len(self._sent)

    def send(
        self, letter: Mapping[str, object], command: tuple[str, ...], webhook: str
    ) -> str:
        """Send a letter on its way; return why not, empty when it is under way."""
        if not (command or webhook):
            return ""
        if len(self._sent) >= _MOST:
            return f"{_MOST} messages are under way already; this one was not sent"
        try:
            process = started(letter, command, webhook, self._run_s)
        except ValueError as error:
            return f"{error}; it was not sent"
        except OSError as error:
            return f"no process for the message: {error.strerror}"
        self._sent.append(_Sent(letter, process, host_deadline(_LIMIT_S)))
        return ""

    def failures(self) -> Iterator[str]:
        """Yield what became of letters that did not arrive; ends those that hang.

        Waits for nothing: one that hangs is asked to end, and killed when it does not.
        """
        for sent in list(self._sent):
            if sent.process.poll() is None:
                if sent.limit.passed:
                    _press(sent)
                continue
            self._sent.remove(sent)
            said = _outcome(sent)
            if said:
                yield said

    def close(self, within_s: float = 3.0) -> list[tuple[Mapping[str, object], str]]:
        """Give letters under way a moment, then end them; return which did not arrive.

        And why not, each.
        """
        self._wait(within_s)
        for _ in range(2):  # asked to end, then killed
            for sent in self._sent:
                if sent.process.poll() is None:
                    _press(sent)
            self._wait(_LEAVE_S)
        came = [(sent.letter, _outcome(sent, "in time")) for sent in self._sent]
        self._sent.clear()
        return [(letter, said) for letter, said in came if said]

    def _wait(self, within_s: float) -> None:
        limit = host_deadline(within_s)
        while not limit.passed and any(s.process.poll() is None for s in self._sent):
            host_sleep(0.02)


def started(
    letter: Mapping[str, object],
    command: tuple[str, ...],
    webhook: str,
    run_s: float,
    *,
    held: Sequence[int] = (),
) -> "subprocess.Popen[bytes]":
    """Start the process that runs a program for a letter, or posts it.

    `held` are descriptors of locks that it holds, too, until its program has ended.
    Raises OSError when there is no process for it, ValueError for a letter too long.
    """
    job = json.dumps(
        {
            "letter": dict(letter),
            "command": command,
            "webhook": webhook,
            "run_s": run_s,
        }
    ).encode()
    if len(job) > _MOST_BYTES:
        raise ValueError(f"a message of {len(job):,} bytes is too long")
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", "benchlog.recorder.letters.letter_process"],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        start_new_session=True,
        pass_fds=held,
    )
    assert process.stdin is not None  # it was asked for
    with contextlib.suppress(BrokenPipeError), process.stdin:
        process.stdin.write(job)
    return process


def _press(sent: _Sent) -> None:
    """Ask a letter to end, with whatever it has started; kill it the second time."""
    how = signal.SIGKILL if sent.hung else signal.SIGTERM
    with contextlib.suppress(OSError):
        os.killpg(sent.process.pid, how)
    sent.hung, sent.limit = True, host_deadline(_LEAVE_S)


def _outcome(sent: _Sent, limit: str = f"within {as_stated(_LIMIT_S)} s") -> str:
    """Return why a letter that came to its end did not arrive, empty if it did."""
    said = words_of_end(sent.process)
    if sent.hung:
        said = f"did not end {limit} and was ended"
    what = f"alarm of {sent.letter.get('when', 'no name')}"
    return f"{printable(what)}: {said}" if said else ""


def words_of_end(process: "subprocess.Popen[bytes]") -> str:
    """Return why a process of `started` that has ended failed, empty if it did not."""
    code, said = process.poll(), ""
    if process.stderr is not None:
        os.set_blocking(process.stderr.fileno(), False)
        said = (process.stderr.read() or b"").decode(errors="replace").strip()
        process.stderr.close()
    return printable(said[-_MOST_SAID:] or f"exit code {code}") if code else ""
