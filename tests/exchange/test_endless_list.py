"""A store that lists without an end: the process ends before it has all memory."""

import subprocess
import sys
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest
from exchange.object_store import BUCKET, KEYS

MB = 2**20
ALLOWED = 16 * MB
GIVEN = 1_000
"""Pages at most, of 1,000 names each: the code before comes to an end, too."""
PROGRAM = f"""
from benchlog.exchange.dataset import remote_folder
remote_folder._MOST_LISTED = {ALLOWED}
folder = remote_folder.RemoteFolder("s3://{BUCKET}/all?endpoint_override=127.0.0.1:%d&scheme=http")
print(len(folder.names()))
"""


class Endless(BaseHTTPRequestHandler):
    """Answers each question with a thousand names and that there are more."""

    pages = 0

    def do_GET(self) -> None:
        cls = type(self)
        cls.pages += 1
        more = cls.pages < GIVEN
        names = "".join(
            f"<Contents><Key>all/{cls.pages}/{k}/{'x' * 200}</Key><Size>1</Size>"
            "<LastModified>2026-01-01T00:00:00.000Z</LastModified></Contents>"
            for k in range(1000)
        )
        body = (
            '<?xml version="1.0"?><ListBucketResult>'
            f"<Name>{BUCKET}</Name><IsTruncated>{str(more).lower()}</IsTruncated>"
            f"<NextContinuationToken>{cls.pages}</NextContinuationToken>"
            f"{names}</ListBucketResult>"
        ).encode()
        self.send_response(200)
        self.send_header("Content-Type", "application/xml")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@pytest.fixture
def port() -> Iterator[int]:
    with ThreadingHTTPServer(("127.0.0.1", 0), Endless) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        try:
            yield server.server_address[1]
        finally:
            server.shutdown()


@pytest.mark.skipif(sys.platform != "linux", reason="memory is looked at on Linux")
def test_a_list_without_an_end_ends_the_process_in_a_sentence(port, monkeypatch):
    for name, value in KEYS.items():
        monkeypatch.setenv(name, value)
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM % port],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert (done.returncode, done.stdout) == (1, ""), done.stderr
    assert done.stderr == f"benchlog: s3://{BUCKET}/all lists without an end\n"
    assert Endless.pages < GIVEN
