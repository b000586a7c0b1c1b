"""The server of metrics by itself: who gets an answer, and that nobody holds it up."""

import socket
import threading
import urllib.request
from collections.abc import Iterator
from urllib.error import HTTPError

import pytest
from screen.scenes import Scene, Stage

from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.errors import UsageError
from benchlog.metrics import server as serving
from benchlog.metrics.addresses import ServedAt, served_at
from benchlog.metrics.exposition import CONTENT_TYPE
from benchlog.metrics.followed_runs import FollowedRuns
from benchlog.metrics.scrapes import SAME_FOR_S, Scrapes
from benchlog.metrics.server import CALLERS, MetricsServer


@pytest.fixture
def server(stage: Stage) -> Iterator[MetricsServer]:
    stage.play(Scene(), end=False)
    scrapes = Scrapes(stage.database, stage.clock)
    one = MetricsServer(ServedAt("127.0.0.1", 0), scrapes)
    thread = threading.Thread(target=one.serve, daemon=True)
    thread.start()
    yield one
    one.shutdown()
    one.server_close()
    thread.join(10)
    scrapes.close()


def get(server: MetricsServer, path: str = "/metrics", **headers: str) -> bytes:
    request = urllib.request.Request(f"http://{server.at.text}{path}", headers=headers)
    with urllib.request.urlopen(request, timeout=10) as answer:
        assert answer.headers["Content-Type"] == CONTENT_TYPE
        return answer.read()


def raw(server: MetricsServer, said: bytes) -> bytes:
    with socket.create_connection((server.at.host, server.at.port), 10) as link:
        try:
            link.sendall(said)
            link.shutdown(socket.SHUT_WR)
            return link.recv(100)
        except OSError:  # it was closed while we still spoke
            return b""


def test_only_metrics_and_only_by_a_name_of_this_computer(
    server: MetricsServer,
) -> None:
    assert get(server).endswith(b"# EOF\n")
    assert get(server, "/metrics?x=1", Host="localhost:1") == get(server)
    for path, host, status in (
        ("/", "localhost", 404),
        ("/metrics", "example.invalid", 400),
        ("/metrics", "a b<script>", 400),
    ):
        with pytest.raises(HTTPError) as refused:
            get(server, path, Host=host)
        assert refused.value.code == status
        refused.value.close()


@pytest.mark.parametrize(
    "said",
    [
        b"POST /metrics HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"GET /metrics HTTP/1.1\r\nHost: \xff\xfe\r\n\r\n",
        b"GET /" + b"a" * 100_000 + b" HTTP/1.1\r\n\r\n",
        b"GET /metrics HTTP/1.1\r\n" + b"X: y\r\n" * 50_000,
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(500),
        b"\0" * 1000,
    ],
    ids=lambda said: repr(said[:20]),
)
def test_what_is_no_request_for_metrics_gets_none(
    server: MetricsServer, said: bytes, capfd: pytest.CaptureFixture[str]
) -> None:
    answer = raw(server, said)
    assert b"200" not in answer.partition(b"\n")[0]
    assert get(server).endswith(b"# EOF\n")
    assert capfd.readouterr() == ("", ""), "quietly"


def test_callers_that_say_nothing_keep_nobody_out(server: MetricsServer) -> None:
    at = (server.at.host, server.at.port)
    idle: list[socket.socket] = []
    try:
        for _ in range(4):  # as one who comes again whenever he was cut off
            idle += [socket.create_connection(at, 10) for _ in range(CALLERS)]
            assert get(server).endswith(b"# EOF\n")
    finally:
        for link in idle:
            link.close()


def test_while_all_callers_are_answered_others_are_turned_away(
    server: MetricsServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on = threading.Event()
    text = server.scrapes.text

    def slow() -> bytes | None:
        go_on.wait(10)
        return text()

    monkeypatch.setattr(server.scrapes, "text", slow)
    answers: list[bytes] = []
    callers = [
        threading.Thread(target=lambda: answers.append(get(server)), daemon=True)
        for _ in range(CALLERS)
    ]
    for one in callers:
        one.start()
    limit = host_deadline(10)
    # private: when all have asked shows nowhere else
    while len(server._asked) < CALLERS and not limit.passed:
        host_sleep(0.01)
    refused = raw(server, b"")
    assert refused.startswith(b"HTTP/1.0 503 ") and b"Retry-After" in refused
    go_on.set()
    for one in callers:
        one.join(10)
    assert len(answers) == CALLERS


def test_callers_that_say_nothing_are_cut_off(
    server: MetricsServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "CALL_S", 1.0)
    at = (server.at.host, server.at.port)
    idle = [socket.create_connection(at, 10) for _ in range(CALLERS)]
    try:
        for number, link in enumerate(idle):
            link.settimeout(5)
            link.sendall(b"GET /metrics HTTP/1.1\r\n" if number % 2 else b"")
            assert link.recv(100) == b""  # cut off, however far it came
        assert get(server).endswith(b"# EOF\n")
    finally:
        for link in idle:
            link.close()


def test_many_who_ask_at_once_cost_one_look(
    server: MetricsServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks = []
    look = FollowedRuns.look

    def counted(self):
        looks.append(1)
        return look(self)

    monkeypatch.setattr(FollowedRuns, "look", counted)
    host_sleep(SAME_FOR_S)
    threads = [threading.Thread(target=get, args=(server,)) for _ in range(CALLERS - 2)]
    for one in threads:
        one.start()
    for one in threads:
        one.join(10)
    assert 1 <= len(looks) <= 2


def test_a_long_first_look_is_told_and_goes_on(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage.play(Scene(), end=False)
    look = FollowedRuns.look

    def slow(self):
        host_sleep(0.4)
        return look(self)

    monkeypatch.setattr(FollowedRuns, "look", slow)
    scrapes = Scrapes(stage.database, stage.clock)
    assert scrapes.text(within_s=0.05) is None
    assert (scrapes.text(within_s=5) or b"").endswith(b"# EOF\n")
    scrapes.close()


def test_without_a_database_that_is_told(tmp_path) -> None:
    scrapes = Scrapes(tmp_path / "none.db", HostClock())
    assert b"benchlog_database_readable 0.0" in (scrapes.text() or b"")
    scrapes.close()


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("8643", ServedAt("127.0.0.1", 8643)),
        ("localhost:0", ServedAt("localhost", 0)),
        ("[::1]:8643", ServedAt("::1", 8643)),
        ("192.0.2.7:8643", ServedAt("192.0.2.7", 8643)),
    ],
)
def test_an_address_is_this_computer_unless_told(text: str, wanted: ServedAt) -> None:
    assert served_at(text) == wanted
    assert wanted.is_local is (wanted.host != "192.0.2.7")


@pytest.mark.parametrize(
    "text", ["", "x", "65536", "a:b:1", "::1:8643", "http://127.0.0.1:1", "1 2", "-1"]
)
def test_what_is_no_address_is_told(text: str) -> None:
    with pytest.raises(UsageError, match="is no address to serve at"):
        served_at(text)


def test_an_address_in_use_is_a_sentence(server: MetricsServer, stage: Stage) -> None:
    with pytest.raises(UsageError, match="cannot be used for metrics"):
        MetricsServer(server.at, server.scrapes)
