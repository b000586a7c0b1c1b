"""Telling somebody of an alarm: a program without a shell, or a webhook.

Each message is a process of its own that ends by itself, so that neither a network that
swallows everything nor a program that hangs can hold a keeper up:

    python -m benchlog.recorder.messenger < LETTER
"""

import contextlib
import json
import os
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from benchlog.clock import Deadline, host_deadline, host_sleep
from benchlog.units import (
    as_stated,
    printable,
)

# _POST_S, _PAUSE_S, _RUN_S, _LIMIT_S: our rule: two tries to post, or a program, end
# within the limit.
_POST_S: Final = 10.0
_PAUSE_S: Final = 5.0
_RUN_S: Final = 30.0
_LIMIT_S: Final = 60.0
_MOST: Final = 8  # our rule: bounds processes
_MOST_SAID: Final = 300  # our rule: a line or two


@dataclass(slots=True)
class _Sent:
    what: str
    process: "subprocess.Popen[bytes]"
    limit: Deadline


class Messenger:
    """Sends letters, sees to it that none stays, and says which did not arrive."""

    def __init__(self) -> None:
        self._sent: list[_Sent] = []

    def send(
        self, letter: Mapping[str, object], command: tuple[str, ...], webhook: str
    ) -> str:
        """Send a letter on its way; return why not, empty when it is under way."""
        if not (command or webhook):
            return ""
        if len(self._sent) >= _MOST:
            return f"{_MOST} messages are under way already; this one was not sent"
        job = {"letter": dict(letter), "command": command, "webhook": webhook}
        try:
            process = subprocess.Popen(
                [sys.executable, "-P", "-m", "benchlog.recorder.messenger"],
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                start_new_session=True,
            )
            assert process.stdin is not None  # it was asked for
            with contextlib.suppress(BrokenPipeError), process.stdin:
                process.stdin.write(json.dumps(job).encode())
        except OSError as error:
            return f"no process for the message: {error.strerror}"
        what = webhook or command[0]
        self._sent.append(_Sent(what, process, host_deadline(_LIMIT_S)))
        return ""

    def failures(self) -> Iterator[str]:
        """Yield what became of letters that did not arrive; ends those that hang."""
        for sent in list(self._sent):
            if sent.process.poll() is None and not sent.limit.passed:
                continue
            self._sent.remove(sent)
            said = self._end(sent)
            if said:
                yield f"{printable(sent.what)}: {said}"

    def close(self, within_s: float = 3.0) -> None:
        """Give letters under way a moment, then end them."""
        limit = host_deadline(within_s)
        while not limit.passed and any(s.process.poll() is None for s in self._sent):
            host_sleep(0.02)
        for sent in self._sent:
            self._end(sent)
        self._sent.clear()

    @staticmethod
    def _end(sent: _Sent) -> str:
        process = sent.process
        hung = process.poll() is None
        if hung:
            with contextlib.suppress(OSError):  # whatever it has started, too
                os.killpg(process.pid, signal.SIGKILL)
        code = process.wait()
        said = ""
        if process.stderr is not None:
            os.set_blocking(process.stderr.fileno(), False)
            said = (process.stderr.read() or b"").decode(errors="replace").strip()
            process.stderr.close()
        if hung:
            return f"did not end within {as_stated(_LIMIT_S)} s and was ended"
        return printable(said[-_MOST_SAID:] or f"exit code {code}") if code else ""


def post(webhook: str, letter: Mapping[str, object]) -> None:
    """Post a letter as JSON; tries twice. Raises OSError (urllib's) with the reason."""
    request = urllib.request.Request(  # noqa: S310 - the catalogue lets http(s) in only
        webhook,
        json.dumps(letter).encode(),
        {"Content-Type": "application/json", "User-Agent": "benchlog"},
    )
    try:
        urllib.request.urlopen(request, timeout=_POST_S).close()  # noqa: S310
    except OSError:
        host_sleep(_PAUSE_S)
        urllib.request.urlopen(request, timeout=_POST_S).close()  # noqa: S310


def filled_in(word: str, letter: Mapping[str, object]) -> str:
    """Return a word of a command with `{text}` and the like filled in."""
    for name, value in letter.items():
        word = word.replace(f"{{{name}}}", printable(str(value)))
    return word


def run(command: tuple[str, ...], letter: Mapping[str, object]) -> None:
    """Run a program without a shell. Raises OSError, SubprocessError."""
    subprocess.run(
        [filled_in(word, letter) for word in command],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        timeout=_RUN_S,
        check=True,
    )


def main() -> int:
    """Send the letter on standard input; say on standard error why it failed."""
    job = json.load(sys.stdin)
    try:
        if job["command"]:
            run(tuple(job["command"]), job["letter"])
        if job["webhook"]:
            post(job["webhook"], job["letter"])
    except (OSError, ValueError, subprocess.SubprocessError) as error:
        sys.stderr.write(f"{error}\n")
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
