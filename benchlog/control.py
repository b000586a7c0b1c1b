"""Speaking to a keeper: one JSON object a line over a local socket, both ends' wire.

The socket stands beside the database and belongs to its owner alone; its name is in the
run's row. A request is `{"do": VERB, ...}`, its answer `{"ok": true, ...}` or
`{"ok": false, "error": TEXT}`. What changes something becomes an event in the run.
"""

import contextlib
import json
import os
import socket
from collections.abc import Iterator, Mapping
from dataclasses import KW_ONLY, asdict, dataclass, field
from pathlib import Path
from typing import Final

from benchlog.errors import BenchlogError
from benchlog.model import Run

VERBS: Final = (
    "status",
    "stop",
    "pause",
    "go-on",
    "note",
    "mark",
    "again",
    "keep-going",
    "device",
    "aside",
    "damaged",
    "meant",
    "take-out",
    "skip",
    "undo",
)
"""`again` measures anew from here; `keep-going` outlives the terminal it came from.

In a lot's inspection `device` says which one is next (its id is the text), `aside` that
the last one's run shall not count, `damaged` that the last one is.
"""
MAX_LINE: Final = 65_536
_TIMEOUT_S: Final = 3.0
_MAX_ADDRESS: Final = 100  # the kernel allows 107 bytes


@dataclass(frozen=True, slots=True)
class Request:
    """What somebody who looks on asks of a keeper; `run` None means all its runs.

    `at_utc_ns` and `at_mono_ns` say when it was meant, on the bench's clock: a mark is
    typed after the moment that it marks. None means now. `position` says where, in a
    lot's inspection at several; empty leaves it to the keeper.
    """

    do: str
    run: int | None = None
    text: str = ""
    _: KW_ONLY
    at_utc_ns: int | None = None
    at_mono_ns: int | None = None
    position: str = ""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the keeper says to a request."""

    ok: bool
    error: str = ""
    data: Mapping[str, object] = field(default_factory=dict)


def encode(message: Request | Answer) -> bytes:
    """Return one line of the wire."""
    return json.dumps(asdict(message), ensure_ascii=True).encode() + b"\n"


def decode_request(line: bytes) -> Request:
    """Read a request. Raises BenchlogError when it is not one we know."""
    fields = _fields(line)
    do, text = fields.get("do"), fields.get("text", "")
    where = fields.get("position", "")
    names = ("run", "at_utc_ns", "at_mono_ns")
    whole = [n for n in map(fields.get, names) if isinstance(n, int | None)]
    said = isinstance(text, str) and isinstance(where, str)
    if do not in VERBS or not said or len(whole) < len(names):
        raise BenchlogError(
            f"not a request: {line[:80]!r}; verbs are {', '.join(VERBS)}"
        )
    run, at_utc_ns, at_mono_ns = whole
    return Request(
        str(do),
        run,
        str(text),
        at_utc_ns=at_utc_ns,
        at_mono_ns=at_mono_ns,
        position=str(where),
    )


def decode_answer(line: bytes) -> Answer:
    """Read an answer. Raises BenchlogError when it is not one."""
    fields = _fields(line)
    data = fields.get("data", {})
    if not isinstance(fields.get("ok"), bool) or not isinstance(data, dict):
        raise BenchlogError(f"the keeper answered {line[:80]!r}")
    return Answer(bool(fields["ok"]), str(fields.get("error", "")), data)


def ask(path: Path, request: Request) -> Answer:
    """Send one request to the keeper that listens at `path` and wait for its answer.

    Raises BenchlogError when nobody listens or it is silent for 3 s.
    """
    if not hasattr(socket, "AF_UNIX"):
        raise BenchlogError("keepers run on POSIX systems only: this one has none")
    try:
        with socket.socket(socket.AF_UNIX) as link, address_of(path) as address:
            link.settimeout(_TIMEOUT_S)
            link.connect(address)
            link.sendall(encode(request))
            with link.makefile("rb") as lines:
                return decode_answer(lines.readline(MAX_LINE))
    except TimeoutError as error:
        raise BenchlogError(
            f"the keeper at {path} does not answer; is it stuck?"
        ) from error
    except OSError as error:
        raise BenchlogError(
            f"no keeper listens at {path}: the run has ended"
        ) from error


def keeps(path: Path, run: int) -> bool:
    """Whether the keeper that listens at `path` has this run; a stuck one has it."""
    try:
        answer = ask(path, Request("status"))
    except BenchlogError as error:
        return isinstance(error.__cause__, TimeoutError)
    kept = answer.data.get("runs", {})
    return isinstance(kept, dict) and str(run) in kept


def state_of(run: Run, database: Path) -> str:
    """Return `ended`, `running`, or `broken off`: not ended, and its keeper is gone."""
    if not run.open:
        return "ended"
    kept = bool(run.control) and keeps(database.parent / run.control, run.id)
    return "running" if kept else "broken off"


def listen(path: Path) -> socket.socket:
    """Return a non-blocking listening socket at `path` that only its owner can use."""
    path.unlink(missing_ok=True)
    link = socket.socket(socket.AF_UNIX)
    before = os.umask(0o177)  # the socket must never exist with wider rights
    try:
        with address_of(path) as address:
            link.bind(address)
    finally:
        os.umask(before)
    link.listen(8)
    link.setblocking(False)
    return link


@contextlib.contextmanager
def address_of(path: Path) -> Iterator[str]:
    """Yield a socket address for `path`, through an open folder when it is too long."""
    if len(os.fsencode(path)) <= _MAX_ADDRESS:
        yield str(path)
        return
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)


def _fields(line: bytes) -> dict[str, object]:
    try:
        fields = json.loads(line)
    except ValueError as error:
        raise BenchlogError(f"not a line of the control wire: {line[:80]!r}") from error
    if not isinstance(fields, dict):
        raise BenchlogError(f"not a line of the control wire: {line[:80]!r}")
    return fields
