"""What is said at a keeper's control socket, well formed and not, and how it is taken.

`stop` is left out where it would be obeyed: what it does is no fault. All else is sent
as it is: whole, in pieces, or by somebody who does not wait for the answer.
"""

import contextlib
import json
import random
import socket
import subprocess
from pathlib import Path
from typing import Any, Final

from benchlog.clock import host_clock
from benchlog.control import (
    MAX_LINE,
    VERBS,
    decode_answer,
    decode_request,
    file_of,
)
from benchlog.errors import BenchlogError

SEEDS: Final = tuple(
    json.dumps(fields).encode() + b"\n"
    for fields in (
        {"do": "status"},
        {"do": "note", "run": None, "text": "the lid is open"},
        {"do": "mark", "run": 1, "text": "heat gun on", "at_mono_ns": 1},
        {"do": "pause", "run": None},
        {"do": "go-on", "run": None},
        {"do": "keep-going", "run": None, "text": ""},
        {"do": "device", "text": "KX-0412", "position": "A"},
        {"do": "damaged", "run": None, "text": "dropped"},
    )
)
WORDS: Final = (
    *(f'"{verb}"'.encode() for verb in VERBS),
    *(b'"do":', b'"run":', b'"text":', b'"position":', b'"at_mono_ns":', b"{}", b"\n"),
    *(b'"at_utc_ns":', b'"\\ud800"', b'"\\u0000"', b"[[[[", b'{"a":', b"Infinity"),
)
_RUNS: Final = (
    None,
    None,
    None,
    None,
    None,
    1,
    2,
    0,
    -1,
    True,
    1.0,
    "1",
    2**63,
    10**400,
    [1],
    {},
)
_TEXTS: Final = (
    "", "KX-1", "KX-2", "KX-3", "a note", "\ud800", "\0", "\x1b[2J", "x" * 5_000,
    "../../etc", "\u202e", "5 V", "supply 3.3 V", None, 7, ["x"], "=1+1", "é" * 300,
)  # fmt: skip
_POSITIONS: Final = ("", "", "A", "B", "\ud800", "x" * 300, None, 1)


def made(rng: random.Random) -> bytes:
    """Return a request that is nearly one, or one."""
    now_ns = host_clock().mono_ns()
    moments = (None, now_ns, now_ns - 10**9, now_ns + 10**12, -1, 2**64, 10**300, 1.5)
    fields: dict[str, Any] = {"do": rng.choice((*VERBS, "burn", None, 1, ["note"]))}
    for name, values in (
        ("run", _RUNS), ("text", _TEXTS), ("position", _POSITIONS),
        ("at_mono_ns", moments), ("at_utc_ns", moments),
    ):  # fmt: skip
        if rng.random() < (0.6 if name in ("run", "text") else 0.25):
            fields[name] = rng.choice(values)
    return json.dumps(fields).encode() + rng.choice(
        (b"\n", b"\n", b"\r\n", b"", b"\n{")
    )


class Knocker:
    """Says one input after the other to a keeper, and sees that it lives on."""

    def __init__(
        self, path: Path, process: "subprocess.Popen[bytes]", database: Path
    ) -> None:
        self._path, self._process = path, process
        self._begin = f'{{"database": "{file_of(database)}", "'.encode()
        self.begun_anew = False
        """Whether `again` was obeyed, so that the first run is over."""

    def enter(self, data: bytes) -> str:
        """Return "" for what was done, else why not."""
        verb = verb_of(data)
        if verb == "stop":
            return "stop is another test's"
        if data.startswith(b'{"'):  # as one who looks at the keeper's database
            data = self._begin + data[2:]
        with socket.socket(socket.AF_UNIX) as link:
            link.settimeout(8.0)
            link.connect(str(self._path))
            self._send(link, data)
            if len(data) % 13 == 0:
                return "did not wait for the answer"
            line = self._answer(link)
        assert self._process.poll() is None, "the keeper has ended"
        if not line:
            assert b"\n" not in data and len(data) <= MAX_LINE, "no answer"
            return "no whole line"
        answer = decode_answer(line)
        assert answer.ok or answer.error, "an error without a word"
        assert "the keeper failed" not in answer.error, answer.error
        self.begun_anew |= answer.ok and verb == "again"
        return answer.error

    def _send(self, link: socket.socket, data: bytes) -> None:
        """Send all, sometimes in pieces; a keeper may close before it is all said."""
        pieces = 3 if len(data) % 7 == 0 else 1
        step = -(-len(data) // pieces) or 1
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            for at in range(0, len(data), step):
                link.sendall(data[at : at + step])
            link.shutdown(socket.SHUT_WR)

    def _answer(self, link: socket.socket) -> bytes:
        line = b""
        with contextlib.suppress(ConnectionResetError):
            while part := link.recv(65_536):
                line += part
        return line


def verb_of(data: bytes) -> str:
    """Return what a request asks for, "" where it is none."""
    with contextlib.suppress(BenchlogError):
        return decode_request(data.partition(b"\n")[0]).do
    return ""
