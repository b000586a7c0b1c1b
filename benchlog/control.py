"""Speaking to a keeper: one JSON object a line over a local socket, both ends' wire.

The socket stands beside the database and belongs to its owner alone; its name is in the
run's row. A request is `{"do": VERB, ...}`, its answer `{"ok": true, ...}` or
`{"ok": false, "error": TEXT}`. What changes something becomes an event in the run.

Whoever asks says in which file it found the socket's name (`database`): a row of
another database may name any socket beside it, and runs are only told by numbers.
"""

import contextlib
import json
import os
import re
import socket
from collections.abc import Iterator, Mapping
from dataclasses import KW_ONLY, asdict, dataclass, field, replace
from pathlib import Path
from typing import Final

from benchlog.clock import Deadline, host_deadline, host_sleep
from benchlog.errors import BenchlogError, KeeperGoneError

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
LONGEST_ANSWER: Final = 1 << 20  # our rule: a keeper of 50,000 runs
DEEPEST: Final = 8  # our rule: twice what a lot's status takes
ELSEWHERE: Final = "elsewhere"
"""In the data of an answer: the keeper is another database's."""
_SPECIAL: Final = re.compile(rb'["\\\[\]{}]')
_WHOLE: Final = range(-(2**63), 2**63)  # definition: what the database can hold
_TIMEOUT_S: Final = 3.0
_KNOCK_S: Final = 0.02  # our rule: the door of a busy keeper, tried again
_MAX_ADDRESS: Final = 100  # the kernel allows 107 bytes


@dataclass(frozen=True, slots=True)
class Request:
    """What somebody who looks on asks of a keeper; `run` None means all its runs.

    `at_utc_ns` and `at_mono_ns` say when it was meant, on the bench's clock: a mark is
    typed after the moment that it marks. None means now. `position` says where, in a
    lot's inspection at several; empty leaves it to the keeper. `database` is the file
    in which the keeper was found (`file_of`).
    """

    do: str
    run: int | None = None
    text: str = ""
    _: KW_ONLY
    at_utc_ns: int | None = None
    at_mono_ns: int | None = None
    position: str = ""
    database: str = ""


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
    where, database = fields.get("position", ""), fields.get("database", "")
    names = ("run", "at_utc_ns", "at_mono_ns")
    whole = [n for n in map(fields.get, names) if isinstance(n, int | None)]
    whole = [n for n in whole if _is_kept_whole(n)]
    said = all(isinstance(one, str) for one in (text, where, database))
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
        database=str(database),
    )


def decode_answer(line: bytes) -> Answer:
    """Read an answer. Raises BenchlogError when it is not one."""
    fields = _fields(line)
    data = fields.get("data", {})
    if not isinstance(fields.get("ok"), bool) or not isinstance(data, dict):
        raise BenchlogError(f"the keeper answered {line[:80]!r}")
    return Answer(bool(fields["ok"]), str(fields.get("error", "")), data)


def file_of(database: Path) -> str:
    """Return what tells a database from any other here, empty where there is none.

    The file is asked, not what is in it: that may be a stranger's, or a copy.
    """
    try:
        found = database.stat()
    except OSError:
        return ""
    return f"{found.st_dev}:{found.st_ino}"


def ask(
    path: Path, request: Request, database: str, within_s: float = _TIMEOUT_S
) -> Answer:
    """Send one request to the keeper that listens at `path` and wait for its answer.

    `database` is the file whose row named it (`file_of`). Raises KeeperGoneError when
    nobody listens, BenchlogError when the keeper is silent for `within_s` real seconds
    or closes the connection.
    """
    if not hasattr(socket, "AF_UNIX"):
        raise BenchlogError("keepers run on POSIX systems only: this one has none")
    limit = host_deadline(within_s)
    try:
        with socket.socket(socket.AF_UNIX) as link:
            _connect(link, path, limit)
            link.settimeout(max(_KNOCK_S, limit.left_s()))
            link.sendall(encode(replace(request, database=database)))
            return decode_answer(_line_from(link, limit))
    except TimeoutError as error:
        raise BenchlogError(
            f"the keeper at {path} does not answer; is it stuck?"
        ) from error
    except OSError as error:
        if is_gone(error):
            raise KeeperGoneError(
                f"no keeper listens at {path}: the run has ended"
            ) from error
        raise BenchlogError(
            f"the keeper at {path} closed the connection ({error}); try again"
        ) from error


def is_gone(error: OSError) -> bool:
    """Whether an error of connecting means that nobody listens, not that it is busy."""
    return isinstance(error, ConnectionRefusedError | FileNotFoundError)


def _connect(link: socket.socket, path: Path, limit: Deadline) -> None:
    """Connect; where too many wait already to be let in, try again until `limit`."""
    link.setblocking(False)
    with address_of(path) as address:
        while True:
            try:
                return link.connect(address)
            except BlockingIOError as error:
                if limit.passed:
                    raise TimeoutError("too many wait to be let in") from error
                host_sleep(_KNOCK_S)


def _line_from(link: socket.socket, limit: Deadline) -> bytes:
    line = b""
    while not line.endswith(b"\n"):
        if limit.passed or len(line) > LONGEST_ANSWER:
            raise TimeoutError("no whole answer")
        link.settimeout(max(_KNOCK_S, limit.left_s()))
        part = link.recv(MAX_LINE)
        if not part:
            raise ConnectionResetError("no answer")
        line += part
    return line


def listen(path: Path, most_waiting: int = 128) -> socket.socket:
    """Return a non-blocking listening socket at `path` that only its owner can use.

    It gets its name once it listens: a socket of this name that refuses is a dead one.
    """
    before_it_listens = path.with_name(f"{path.name}.new")
    before_it_listens.unlink(missing_ok=True)
    link = socket.socket(socket.AF_UNIX)
    before = os.umask(0o177)  # the socket must never exist with wider rights
    try:
        with address_of(before_it_listens) as address:
            link.bind(address)
        link.listen(most_waiting)
        before_it_listens.replace(path)
    except OSError:
        link.close()
        raise
    finally:
        os.umask(before)
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


def _is_kept_whole(value: int | None) -> bool:
    """Whether this is no number, or one that a database can hold; `true` is neither."""
    return value is None or (not isinstance(value, bool) and value in _WHOLE)


def _fields(line: bytes) -> dict[str, object]:
    if _is_deep(line):
        raise BenchlogError(
            f"not a line of the control wire: more than {DEEPEST} deep: {line[:40]!r}"
        )
    try:
        fields = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise BenchlogError(f"not a line of the control wire: {line[:80]!r}") from error
    if not isinstance(fields, dict):
        raise BenchlogError(f"not a line of the control wire: {line[:80]!r}")
    return fields


def _is_deep(line: bytes) -> bool:
    """Whether objects or lists lie deeper in each other than anything of ours."""
    depth, quoted, escaped_at = 0, False, -1
    for found in _SPECIAL.finditer(line):
        sign = found[0]
        if found.start() == escaped_at:
            continue
        if sign == b'"':
            quoted = not quoted
        elif quoted:
            escaped_at = found.start() + 1 if sign == b"\\" else escaped_at
        elif sign != b"\\":
            depth += 1 if sign in b"[{" else -1
        if depth > DEEPEST:
            return True
    return False
