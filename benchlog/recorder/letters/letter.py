"""One message of an alarm on its way: handed to a program, posted to a webhook.

    python -m benchlog.recorder.letters.letter_process < JOB

This process adopts whatever the program leaves running, and is gone, with all of it,
when its time is up. Standard error tells why the message did not arrive, without the
addresses and words of the bench file: what is told there becomes an event.
"""

import base64
import contextlib
import ctypes
import json
import os
import re
import signal
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping, Sequence
from http.client import HTTPException
from pathlib import Path
from typing import Any, Final
from urllib.parse import unquote, urlsplit, urlunsplit

from benchlog.clock import Deadline, host_deadline, host_sleep
from benchlog.driver_kit import run_program
from benchlog.masking import MASK, masked
from benchlog.recorder.letters.command_words import filled_command, told_values
from benchlog.units import as_stated, printable

# POST_S, PAUSE_S, TRIES: our rule: a desk that is being restarted is back by then.
POST_S: Final = 10.0
PAUSE_S: Final = 5.0
TRIES: Final = 2
_LOOK_S: Final = 0.05  # our rule: seen at once
_END_S: Final = 2.0  # our rule: what was killed is gone by then
_SHORTEST: Final = 6  # our rule: no token is shorter
_MOST_SAID: Final = 120  # our rule: a line
_SET_CHILD_SUBREAPER: Final = 36  # source: PR_SET_CHILD_SUBREAPER of linux/prctl.h
_PASSED: Final = (
    *("PATH", "HOME", "USER", "LOGNAME", "SHELL", "TMPDIR", "TZ", "LANG", "LANGUAGE"),
    *("DISPLAY", "WAYLAND_DISPLAY", "XAUTHORITY", "XDG_RUNTIME_DIR"),
    "DBUS_SESSION_BUS_ADDRESS",
)
"""What a program sees of our environment, and `LC_...`: enough for mail and desktop."""


class NotDelivered(Exception):  # noqa: N818 - it is an outcome, not a fault of ours
    """A message did not arrive; the text tells why, and no address."""


class _StayHere(urllib.request.HTTPRedirectHandler):
    """Follows nothing: who answers elsewhere is not whom the bench file names."""

    def redirect_request(self, *_: Any, **__: Any) -> None:
        """Return no request, so that the answer counts as a failure."""


def post(webhook: str, letter: Mapping[str, object]) -> None:
    """Post a letter as JSON; tries again where that may help. Raises NotDelivered."""
    for left in reversed(range(TRIES)):
        try:
            _post_once(webhook, json.dumps(letter).encode())
        except urllib.error.HTTPError as error:
            error.close()
            if error.code < 500 or not left:  # RFC 9110, 15.6: its fault
                raise NotDelivered(_status_text(error.code)) from None
        except (OSError, ValueError, HTTPException) as error:
            if not left:
                raise NotDelivered(_reason(error)) from None
        else:
            return
        host_sleep(PAUSE_S)


def _post_once(webhook: str, body: bytes) -> None:
    """Post once. Raises OSError; ValueError, HTTPException for what is no HTTP."""
    address, headers = _without_password(webhook)
    headers |= {"Content-Type": "application/json", "User-Agent": "benchlog"}
    opener = urllib.request.build_opener(_StayHere)
    request = urllib.request.Request(address, body, headers)  # noqa: S310 - http(s), by the catalogue
    with _at_most(POST_S):
        opener.open(request, timeout=POST_S).close()


@contextlib.contextmanager
def _at_most(real_s: float) -> Iterator[None]:
    """Break off with a TimeoutError: a socket's own limit holds for each piece only."""

    def over(*_: object) -> None:
        raise TimeoutError("no answer in time")

    before = signal.signal(signal.SIGALRM, over)
    signal.setitimer(signal.ITIMER_REAL, real_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def _without_password(webhook: str) -> tuple[str, dict[str, str]]:
    """Return the address without `user:password@`, and the header that carries it."""
    parts = urlsplit(webhook)
    user, at, host = parts.netloc.rpartition("@")
    if not at:
        return webhook, {}
    name, _, password = user.partition(":")
    pair = f"{unquote(name)}:{unquote(password)}".encode()
    header = {"Authorization": f"Basic {base64.b64encode(pair).decode('ascii')}"}
    return urlunsplit(parts._replace(netloc=host)), header


def _status_text(code: int) -> str:
    moved = 300 <= code < 400  # RFC 9110, 15.4
    hint = "; it sends elsewhere, and the bench file must name the place itself"
    return f"it answered HTTP {code}" + hint * moved


def _reason(error: BaseException) -> str:
    """Return why in words that have no address in them."""
    inner = getattr(error, "reason", error)
    if isinstance(inner, TimeoutError):
        return f"no answer within {as_stated(POST_S)} s"
    said = getattr(inner, "strerror", None)
    return str(said or type(inner).__name__)


# --- a program


def small_environment(whole: Mapping[str, str] = os.environ) -> dict[str, str]:
    """Return what a program is given of an environment: no token of a keeper's."""
    return {
        name: value
        for name, value in whole.items()
        if name in _PASSED or name.startswith("LC_")
    }


def run(command: Sequence[str], letter: Mapping[str, object], within_s: float) -> None:
    """Run a program without a shell, and wait for all that it starts.

    When its time is up, all of that is ended. Raises NotDelivered.
    """
    limit = host_deadline(within_s)
    words, told = filled_command(command, letter), told_values(letter)
    try:
        done = run_program(words, within_s, small_environment() | told)
    except (OSError, ValueError) as error:
        raise NotDelivered(_reason(error)) from None
    if done.status is None:
        raise NotDelivered(
            f"it had not ended after {as_stated(within_s)} s and was ended"
        )
    if done.status:
        said = _without_words(done.tail.decode(errors="replace"), command)
        raise NotDelivered(f"exit code {done.status}{said}")
    if not _children_ended(limit):
        raise NotDelivered(
            f"what it had left running was ended after {as_stated(within_s)} s"
        )


def _without_words(said: str, command: Sequence[str]) -> str:
    """Return the last line that a program wrote, without its own words and secrets."""
    lines = masked(said).split("\n")
    line = next((one for one in reversed(lines) if one.strip()), "").strip()
    pieces = {piece for word in command for piece in re.split(r"[\s=:,;/?&@]+", word)}
    for piece in sorted({*command, *pieces}, key=len, reverse=True):
        if len(piece) >= _SHORTEST:
            line = line.replace(piece, MASK)
    return f": {printable(line[-_MOST_SAID:])}" if line else ""


# --- whatever the program has started, however it went away


def adopt_orphans() -> None:
    """Become the parent of whatever a child of ours leaves behind (Linux)."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(_SET_CHILD_SUBREAPER, 1, 0, 0, 0)


def _children_ended(limit: Deadline) -> bool:
    """Wait for all children, adopted ones too; whether none is left at `limit`."""
    while _reaped():
        if limit.passed:
            return False
        host_sleep(_LOOK_S)
    return True


def _reaped() -> bool:
    """Take leave of children that have ended; whether one goes on."""
    try:
        while os.waitpid(-1, os.WNOHANG)[0]:
            pass
    except ChildProcessError:
        return False
    return True


def end_children() -> None:
    """End all children; those of theirs become ours and are ended next."""
    limit = host_deadline(_END_S)
    while _reaped() and not limit.passed:
        for pid in _children():
            with contextlib.suppress(OSError):
                os.kill(pid, signal.SIGKILL)
        host_sleep(_LOOK_S / 10)


def _children() -> Iterator[int]:
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError, ValueError, IndexError):
            _, parent = stat.read_text(errors="replace").rpartition(")")[2].split()[:2]
            if int(parent) == os.getpid():
                yield int(stat.parent.name)


# --- the process


def deliver(job: Mapping[str, Any]) -> list[str]:
    """Try every way that a job names; return why those failed that did."""
    failed, letter = [], job["letter"]
    if job["command"]:
        try:
            run(tuple(job["command"]), letter, float(job["run_s"]))
        except NotDelivered as error:
            failed.append(f"its program: {error}")
    if job["webhook"]:
        try:
            post(job["webhook"], letter)
        except NotDelivered as error:
            failed.append(f"its webhook: {error}")
    return failed


def main() -> int:
    """Send the letter on standard input; tell on standard error why it failed."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    adopt_orphans()
    try:
        failed = deliver(json.load(sys.stdin))
    finally:
        end_children()
    if failed:
        sys.stderr.write("; ".join(failed))
    return 1 if failed else 0
