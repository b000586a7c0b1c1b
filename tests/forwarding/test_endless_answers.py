"""A server that answers without an end: given up before it has taken the memory."""

import resource
import socket
import struct
import sys
import threading
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest
from forwarding.made_benches import made_database
from forwarding.sending import forward

from benchlog.clock import host_sleep
from benchlog.forwarding.postgres import server as postgres

MB = 2**20
GIVEN_MB = 400
"""What the liar sends at most, so that the code before comes to an end."""
ALLOWED_MB = 160
"""64 for the answer, and what the libraries take on their first use."""


def message(kind: bytes, body: bytes) -> bytes:
    """Return a message of the protocol, version 3."""
    return kind + struct.pack("!i", len(body) + 4) + body


HEAD = message(
    b"T", struct.pack("!h", 1) + b"x\0" + struct.pack("!ihihih", 0, 0, 25, -1, -1, 0)
)
GREETING = message(b"R", struct.pack("!i", 0)) + message(b"Z", b"I")


def rows() -> Iterator[bytes]:
    row = message(b"D", struct.pack("!hi", 1, 100) + b"x" * 100)
    while True:
        yield row * 1_000


def one_row() -> Iterator[bytes]:
    size = 10**9
    yield b"D" + struct.pack("!ihi", size + 10, 1, size)
    while True:
        yield b"x" * 100_000


def letters() -> Iterator[bytes]:
    """Notifications that nobody asked for."""
    text = b"a\0" + b"x" * 7_000 + b"\0"
    while True:
        yield message(b"A", struct.pack("!i", 1) + text) * 10


@pytest.fixture
def liar() -> "Iterator[tuple[int, list[Iterator[bytes]]]]":
    listening = socket.create_server(("127.0.0.1", 0))
    lies: list[Iterator[bytes]] = []

    def serve() -> None:
        with suppress(OSError), listening:
            while True:
                caller, _ = listening.accept()
                with caller, suppress(OSError):
                    answer(caller, lies[0])

    threading.Thread(target=serve, daemon=True).start()
    with closing(listening):
        yield listening.getsockname()[1], lies
        listening.shutdown(socket.SHUT_RDWR)


def answer(caller: socket.socket, lie: Iterator[bytes]) -> None:
    """Refuse to encrypt, greet, and lie to the first query."""
    while (asked := caller.recv(4_096)) and len(asked) == 8:
        caller.sendall(b"N")
    caller.sendall(GREETING)
    caller.recv(65_536)
    caller.sendall(HEAD)
    sent = 0
    for piece in lie:
        caller.sendall(piece)
        sent += len(piece)
        if sent > GIVEN_MB * MB:
            return


@pytest.mark.skipif(sys.platform != "linux", reason="memory is looked at on Linux")
@pytest.mark.parametrize("lie", [rows, one_row, letters])
def test_an_answer_without_an_end_is_given_up(liar, tmp_path: Path, lie) -> None:
    pytest.importorskip("psycopg", reason="psycopg is not installed")
    port, lies = liar
    lies.append(lie())
    bench = made_database(tmp_path / "bench.db", 1, 2)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1_024
    found = forward(f"postgresql://x@127.0.0.1:{port}/x", "--db", str(bench))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1_024
    assert found.returncode == 1 and "something unexpected" not in found.stderr
    assert peak - before < ALLOWED_MB, found.stderr
    if lie is not letters:
        assert "not as PostgreSQL with our tables would" in found.stderr


def test_one_that_comes_and_comes_is_given_up(
    liar, tmp_path: Path, monkeypatch
) -> None:
    pytest.importorskip("psycopg", reason="psycopg is not installed")
    monkeypatch.setattr(postgres, "_WHOLE_ANSWER_S", 0.2)
    port, lies = liar
    lies.append(slowly())
    bench = made_database(tmp_path / "bench.db", 1, 2)
    found = forward(f"postgresql://x@127.0.0.1:{port}/x", "--db", str(bench))
    assert found.returncode == 1 and "has no end" in found.stderr


def slowly() -> Iterator[bytes]:
    for piece in rows():
        yield piece[:111]
        host_sleep(0.01)
