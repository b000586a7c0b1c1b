"""A store that gives less than it tells, repeats what it was asked, or talks long."""

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest
from exchange.object_store import BUCKET, KEYS

from benchlog.errors import BenchlogError
from benchlog.exchange.dataset.folders import Folder

TOLD = 1_000
TOKEN = "invented-session-token"


class Odd(BaseHTTPRequestHandler):
    """Answers as the class says: `gives` octets of `TOLD`, or `complains`."""

    gives = TOLD
    last = b"y"
    complains = ""

    def do_HEAD(self) -> None:
        self.send_response(200)
        self.send_header("Content-Length", str(TOLD))
        self.end_headers()

    def do_GET(self) -> None:
        told = self.complains.format(token=self.headers["x-amz-security-token"])
        complaint = f"<Error><Code>Odd</Code><Message>{told}</Message></Error>".encode()
        answer = (b"y" * (self.gives - 1) + self.last)[: self.gives]
        body = complaint if self.complains else answer
        self.send_response(400 if self.complains else 206)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@pytest.fixture
def store(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Folder, type[Odd]]]:
    pytest.importorskip("pyarrow")
    from benchlog.exchange.dataset.remote_folder import RemoteFolder

    for name, value in {**KEYS, "AWS_SESSION_TOKEN": TOKEN}.items():
        monkeypatch.setenv(name, value)
    kind = type("ThisOdd", (Odd,), {})
    with ThreadingHTTPServer(("127.0.0.1", 0), kind) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        options = f"endpoint_override=127.0.0.1:{server.server_address[1]}&scheme=http"
        try:
            yield RemoteFolder(f"s3://{BUCKET}/all?{options}"), kind
        finally:
            server.shutdown()


@pytest.mark.parametrize("gives", [0, 1, 10, TOLD - 1])
def test_octets_that_did_not_come_are_not_made_up(store, gives):
    """Before, the rest was what this process had in its memory at that place."""
    folder, kind = store
    kind.gives = gives
    with pytest.raises(BenchlogError, match="fewer octets came than it had told"):
        folder.read("a", TOLD)
    with (
        pytest.raises(BenchlogError, match="fewer octets came"),
        folder.opened("a") as file,
    ):
        file.read(TOLD)


@pytest.mark.parametrize("last", [b"\xa5", b"\x5a", b"\x00", b"y"])
def test_whatever_an_object_ends_with_it_is_read(store, last):
    folder, kind = store
    kind.last = last
    whole = b"y" * (TOLD - 1) + last
    assert folder.read("a", TOLD) == whole
    with folder.opened("a") as file:
        assert file.read() == whole


def test_what_a_store_answers_is_bounded_and_gives_no_token_away(store):
    """Before, a line of 300,000 letters was printed whole, the token in it as well."""
    folder, kind = store
    kind.complains = "you sent x-amz-security-token: {token} " + "M" * 10_000
    with pytest.raises(BenchlogError) as found:
        folder.names()
    assert TOKEN not in str(found.value)
    assert len(str(found.value)) < 600
