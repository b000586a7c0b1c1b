"""An object store on the loopback, in a process of its own, for tests.

The server is moto, which speaks the S3 protocol. Where it is not installed the tests
that need it are skipped.
"""

import contextlib
import importlib.util
import math
import os
import re
import signal
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import IO, Any, Final
from urllib.request import Request, urlopen

import pytest

from benchlog.clock import host_clock

BUCKET: Final = "factory"
KEYS: Final = {
    "AWS_ACCESS_KEY_ID": "AKIAINVENTED",
    "AWS_SECRET_ACCESS_KEY": "invented-for-this-test",
    "AWS_DEFAULT_REGION": "us-east-1",
    "AWS_EC2_METADATA_DISABLED": "true",  # nothing outside the loopback is asked
}
_RUNNING: Final = re.compile(r"Running on http://127\.0\.0\.1:(\d+)")


@dataclass(frozen=True, slots=True)
class ObjectStore:
    """A server with one bucket; `client` is a general S3 client of it."""

    process: subprocess.Popen[bytes]
    port: int
    client: Any

    def address(
        self, prefix: str, bucket: str = BUCKET, port: int | None = None
    ) -> str:
        """Return the address of a dataset, as pyarrow takes it."""
        options = f"endpoint_override=127.0.0.1:{port or self.port}&scheme=http"
        return f"s3://{bucket}/{prefix}?{options}"

    def keys(self, prefix: str) -> list[str]:
        """Return the names of the objects below a prefix, without it."""
        found = self.client.get_paginator("list_objects_v2").paginate(
            Bucket=BUCKET, Prefix=prefix
        )
        names = [one["Key"] for page in found for one in page.get("Contents", ())]
        return [name.removeprefix(prefix).lstrip("/") for name in names]

    def unfinished(self) -> int:
        """Return how many uploads in parts were begun and not completed."""
        found = self.client.list_multipart_uploads(Bucket=BUCKET)
        return len(found.get("Uploads", ()))

    def freeze(self) -> None:
        """Let the server answer nothing until `thaw`."""
        self.process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let the server go on."""
        self.process.send_signal(signal.SIGCONT)

    @contextmanager
    def asking_for_keys(self) -> Iterator[None]:
        """Let the server refuse whoever shows keys that it has not given out."""
        self._ask_for_keys_after(0)
        try:
            yield
        finally:
            self._ask_for_keys_after(math.inf)

    def _ask_for_keys_after(self, questions: float) -> None:
        address = f"http://127.0.0.1:{self.port}/moto-api/reset-auth"
        plain = {"Content-Type": "text/plain"}
        with urlopen(Request(address, str(questions).encode(), plain)) as told:
            told.read()


class Cable:
    """A way to a server that can be pulled out, by what went through it, and put in."""

    def __init__(self, to_port: int) -> None:
        self._to_port = to_port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._sockets: set[socket.socket] = set()
        self._left: int | None = None
        self._lock = threading.Lock()
        threading.Thread(target=self._accept, daemon=True).start()

    @property
    def is_out(self) -> bool:
        """Whether nothing goes through."""
        return self._left == 0

    def pull_after(self, octets: int) -> None:
        """Let that many more octets go to the server, and then nothing."""
        with self._lock:
            self._left = octets

    def put_in(self) -> None:
        """Let everything through."""
        with self._lock:
            self._left = None

    def close(self) -> None:
        """End all connections, and take no more."""
        for one in (self._listener, *self._sockets):
            _shut(one)

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._listener.accept()
                if self.is_out:
                    _shut(near)
                    continue
                far = socket.create_connection(("127.0.0.1", self._to_port))
                self._sockets |= {near, far}
                for pair in ((near, far), (far, near)):
                    pump = threading.Thread(target=self._pump, args=pair, daemon=True)
                    pump.start()

    def _pump(self, source: socket.socket, sink: socket.socket) -> None:
        is_up = sink.getpeername()[1] == self._to_port
        with contextlib.suppress(OSError):
            while data := source.recv(65_536):
                sink.sendall(self._through(data) if is_up else data)
                if self.is_out:
                    break
        _shut(source)
        _shut(sink)

    def _through(self, data: bytes) -> bytes:
        with self._lock:
            if self._left is not None:
                data = data[: self._left]
                self._left -= len(data)
        return data


def _shut(one: socket.socket) -> None:
    with contextlib.suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)
    one.close()


def skip_without_store() -> None:
    """Skip a test where there is no server to try."""
    for module in ("pyarrow", "moto", "flask_cors", "boto3"):
        if importlib.util.find_spec(module) is None:
            pytest.skip(
                f"an object store to try needs {module}, which is not installed"
            )


@contextmanager
def object_store(environment: Mapping[str, str] | None = None) -> Iterator[ObjectStore]:
    """Start a server with an empty bucket; ends it afterwards."""
    skip_without_store()
    import boto3

    command = [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", "0"]
    with tempfile.TemporaryFile() as log:
        process = subprocess.Popen(
            command,
            stderr=log,
            stdout=subprocess.DEVNULL,
            env={**os.environ, **KEYS, **(environment or {})},
        )
        try:
            port = _port_of(process, log)
            client = boto3.client(
                "s3",
                endpoint_url=f"http://127.0.0.1:{port}",
                region_name=KEYS["AWS_DEFAULT_REGION"],
                aws_access_key_id=KEYS["AWS_ACCESS_KEY_ID"],
                aws_secret_access_key=KEYS["AWS_SECRET_ACCESS_KEY"],
            )
            client.create_bucket(Bucket=BUCKET)
            yield ObjectStore(process, port, client)
        finally:
            process.kill()
            process.wait()


def _port_of(process: subprocess.Popen[bytes], log: IO[bytes]) -> int:
    """Wait until the server tells where it listens."""
    while process.poll() is None:
        found = _RUNNING.search(os.pread(log.fileno(), 100_000, 0).decode())
        if found:
            return int(found[1])
        host_clock().sleep(0.02)
    raise RuntimeError(os.pread(log.fileno(), 100_000, 0).decode())
