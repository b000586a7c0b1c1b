"""`watch --serve` without a browser: who is let in, what a page gets, no strays."""

import asyncio
import json
import re
import signal
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import aiohttp
import aiohttp.web
import pytest
from cli.conftest import Line
from cli.served_pages import Served, pages, seen, served, stopped
from waiting import wait_for

from benchlog.cli.tasks import browser_server as serving
from benchlog.cli.tasks.browser_page import (
    PAGE,
    MalformedMessageError,
    page_of,
    page_process,
    policy_of,
    read_message,
)
from benchlog.cli.tasks.browser_server import PageLimits, PageServer, ServedScreens
from benchlog.cli.tasks.page_guests import AT_ONCE
from benchlog.clock import host_deadline
from benchlog.errors import BenchlogError


@pytest.fixture
def server(line: Line) -> Iterator[Served]:
    line.run("demo", "--readings", "3", "--no-screen", "--db", str(line.db))
    with served(line) as one:
        yield one


async def statuses(one: Served) -> dict[str, int]:
    base = one.url.split("?", maxsplit=1)[0]
    port = one.host.partition(":")[2]
    twice = [("Origin", f"http://{one.host}"), ("Origin", "http://example.invalid")]
    asked = {
        "no key": (base, {}),
        "wrong key": (f"{base}?key=guess", {}),
        "a key that is no text": (f"{base}?key=%ff%fe", {}),
        "no key to the link": (f"{base}ws/guess", {}),
        "the key, but not in the path": (f"{base}ws?key={one.key}", {}),
        "no key to the script": (f"{base}static/guess/js/textual.js", {}),
        "another site's page": (one.url, {"Origin": "http://example.invalid"}),
        "a page of nobody": (one.url, {"Origin": "null"}),
        "a page of this host": (one.url, {"Origin": "http://127.0.0.1:1"}),
        "two pages at once": (one.url, twice),
        "a name that leads here": (one.url, {"Host": f"example.invalid:{port}"}),
        "no name": (one.url, {"Host": "a b<script>"}),
        "the key": (one.url, {}),
        "by name": (one.url, {"Host": f"localhost:{port}"}),
        "the script": (f"{base}static/{one.key}/js/textual.js", {}),
        "beyond the scripts": (f"{base}static/{one.key}/..%2f..%2fserver.py", {}),
    }
    found = {}
    for name, (address, headers) in asked.items():
        async with (
            aiohttp.ClientSession() as session,
            session.get(address, headers=headers) as answer,
        ):
            found[name] = answer.status
            if name == "the key":
                policy = answer.headers["Content-Security-Policy"]
                assert "default-src 'self'" in policy
                assert f"ws://{one.host} " in policy and "ws: " not in policy
                assert answer.headers["Referrer-Policy"] == "no-referrer"
                assert "Set-Cookie" not in answer.headers
    return found


HOSTILE = (
    b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: \xff\xfe\r\nOrigin: \xff\r\n\r\n",
    b"GET /?key=\xff HTTP/1.1\r\n\r\n",
    b"GET / HTTP/1.0\r\n\r\n",
    b"GET http://example.invalid/?key=1 HTTP/1.1\r\nHost: example.invalid\r\n\r\n",
    b"POST / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: -1\r\n\r\n",
    b"GET /" + b"a" * 100_000 + b" HTTP/1.1\r\n\r\n",
    b"GET / HTTP/1.1\r\n" + b"X: y\r\n" * 50_000,
    b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(500),
    b"\0" * 1000,
)


def test_only_the_printed_address_opens_it(server: Served) -> None:
    """What is no request at all is turned away as quietly."""
    host, _, port = server.host.partition(":")
    for said in HOSTILE:
        with socket.create_connection((host, int(port)), timeout=10) as link:
            try:
                link.sendall(said)
                link.shutdown(socket.SHUT_WR)
                answer = link.recv(100)
            except (ConnectionResetError, BrokenPipeError):
                continue
            assert not answer or re.match(rb"HTTP/1\.[01] 4\d\d ", answer), said[:60]
    found = asyncio.run(statuses(server))
    opened = {name: found.pop(name) for name in ("the key", "by name", "the script")}
    assert set(opened.values()) == {200}, opened
    assert found.pop("a name that leads here") == found.pop("no name") == 400
    assert found.pop("the key, but not in the path") == 404
    assert set(found.values()) <= {403, 404}, found
    assert "Only this computer can reach it" in server.said
    assert stopped(server) == "", "quietly"


def test_a_malformed_message_ends_that_page_alone(server: Served, line: Line) -> None:
    """The other one has the screen; nothing is left of either."""

    async def look() -> None:
        async with aiohttp.ClientSession() as session:
            good = await session.ws_connect(f"{server.link}?width=100&height=30")
            await seen(good, b"DEMO-0001")
            bad = await session.ws_connect(server.link)
            await seen(bad, b"DEMO-0001")
            assert len(pages(line.db)) == 2
            await bad.send_str('["resize", {"width": "wide"}]')
            assert await closed(bad) == 1008
            await good.send_str('["ping", "7"]')
            assert await pong(good) == ["pong", "7"]
            await good.close()

    asyncio.run(look())
    wait_for(lambda: not pages(line.db), 15)
    server.process.send_signal(signal.SIGTERM)
    assert server.process.wait(15) == 0
    assert stopped(server) == "", "quietly"


async def closed(link: aiohttp.ClientWebSocketResponse) -> int | None:
    """Return the code that a link is closed with."""
    while True:
        message = await link.receive(timeout=20)
        if message.type in (aiohttp.WSMsgType.CLOSE, aiohttp.WSMsgType.CLOSED):
            return link.close_code


async def pong(link: aiohttp.ClientWebSocketResponse) -> object:
    while True:
        message = await link.receive(timeout=20)
        if message.type is aiohttp.WSMsgType.TEXT:
            return json.loads(message.data)


# --- pages in this process: their messages and their number


GOOD = {
    '["stdin", "é"]': ("stdin", "é".encode()),
    '["resize", {"width": 100, "height": 30}]': ("resize", (100, 30)),
    '["resize", {"width": 1000000000, "height": -3}]': ("resize", (500, 20)),
    '["ping", "1764412800000"]': ("ping", "1764412800000"),
    '["focus"]': ("focus", None),
    '["blur"]': ("blur", None),
}
BAD = (
    "", "nothing", "null", "[]", "{}", '"stdin"', '["stdin"]', '["stdin", 3]',
    '["stdin", ["a"]]', '["stdin", "\\ud800"]', '["resize", 3]', '["resize", {}]',
    '["resize", {"width": 80}]', '["resize", {"width": "80", "height": 24}]',
    '["resize", {"width": true, "height": 24}]', '["quit"]', '["exit", {}]', '["ping"]',
    '["resize", {"width": 8.5, "height": 2}]', '["ping", {"deep": []}]', "[" * 60_000,
    '["resize", {"width": NaN, "height": 24}]', '["ping", "' + "1" * 60 + '"]',
    '["resize", {"width": ' + "9" * 6000 + ', "height": 2}]',
    '["deliver_chunk_request", {"key": "a"}]',
)  # fmt: skip


@pytest.mark.parametrize("text", GOOD)
def test_what_a_page_s_script_sends_is_read(text: str) -> None:
    assert read_message(text) == GOOD[text]


@pytest.mark.parametrize("text", BAD, ids=lambda text: text[:30])
def test_what_it_never_sends_is_malformed(text: str) -> None:
    with pytest.raises(MalformedMessageError):
        read_message(text)


FAREWELL_ENDS_IT = ("head", "-c", "1")


@dataclass(frozen=True, slots=True)
class Waiting(ServedScreens):
    """Pages whose process shows nothing."""

    process: tuple[str, ...] = FAREWELL_ENDS_IT

    @property
    def words(self) -> list[str]:
        return list(self.process)


@asynccontextmanager
async def page_server(
    limits: PageLimits, process: tuple[str, ...] = FAREWELL_ENDS_IT
) -> AsyncIterator[tuple[PageServer, str]]:
    """Serve pages; yield their server and the address of a page's socket."""
    one = PageServer(Waiting(Path("a.db"), 1, limits=limits, process=process))
    runner = one.runner()
    await runner.setup()
    site = aiohttp.web.TCPSite(runner, "127.0.0.1", 0)
    await site.start()
    try:
        port = runner.addresses[0][1]
        yield one, f"ws://127.0.0.1:{port}/ws/{one.key}"
    finally:
        await one.close()
        await runner.cleanup()


async def opened(link: str, number: int) -> list[str]:
    """Open pages, all at once; return the words of those that were closed again."""
    async with aiohttp.ClientSession() as session:
        asked = [session.ws_connect(link) for _ in range(number)]
        links = await asyncio.gather(*asked)
        said = [asyncio.create_task(one.receive()) for one in links]
        await asyncio.wait(said, timeout=0.7)
        words = [str(one.result().extra) for one in said if one.done()]
        for one in said:
            one.cancel()
        for one in links:
            await one.close()
        return words


async def test_no_more_pages_are_opened_than_may_be() -> None:
    async with page_server(PageLimits(open_pages=3, openings=100)) as (_, link):
        assert (
            await opened(link, 5) == ["3 pages are open, as many as there may be"] * 2
        )


class SlowToSend:
    """A page's process as the library sees it: it ends while it is told to, again."""

    def __init__(self) -> None:
        self.ended = asyncio.Event()
        self.told = 0

    async def send_meta(self, _: object) -> None:
        self.told += 1
        if self.told == 1:
            return
        self.ended.set()
        await asyncio.sleep(0.05)


async def test_a_page_that_ends_twice_at_once_is_waited_for_once() -> None:
    """Its browser goes while its server ends: the library waited for nothing then."""
    slow = SlowToSend()
    service = page_process(["true"], aiohttp.web.WebSocketResponse())
    service.send_meta = slow.send_meta  # type: ignore[method-assign]
    # private: the library's own task, which it forgets when it was waited for
    service._task = asyncio.create_task(slow.ended.wait())
    first = asyncio.create_task(service.stop())
    await asyncio.sleep(0.01)
    second = asyncio.create_task(service.stop())
    await asyncio.sleep(0.01)
    slow.ended.set()
    await asyncio.gather(first, second)
    assert slow.told == 1


async def test_nor_faster_than_they_may() -> None:
    limits = PageLimits(open_pages=100, openings=4, within_s=1.0)
    async with page_server(limits) as (_, link):
        refused = await opened(link, 6)
        assert [one[:29] for one in refused] == ["too many pages were opened ju"] * 2
        limit = host_deadline(1.0)
        await asyncio.sleep(limit.left_s())
        assert await opened(link, 2) == []


async def test_a_page_that_cannot_be_started_says_why() -> None:
    async with page_server(PageLimits(), ("/no/such/program",)) as (_, link):
        (said,) = await opened(link, 1)
        assert said == "no page can be opened now: No such file or directory"


async def test_a_connection_that_asks_for_nothing_ends() -> None:
    async with page_server(PageLimits(idle_s=0.3)) as (_, link):
        port = int(link.split(":")[2].partition("/")[0])
        silent, other = await asyncio.open_connection("127.0.0.1", port)
        slow, out = await asyncio.open_connection("127.0.0.1", port)
        out.write(b"GET / HTTP/1.1\r\nX: ")
        for one in (silent, slow):
            assert await asyncio.wait_for(one.read(), 5) == b""
        for end in (out, other):
            end.close()
            with suppress(ConnectionError):
                await end.wait_closed()


async def test_who_asks_for_nothing_makes_room_for_who_comes() -> None:
    """Before, as many as a process may have descriptors kept everybody out."""
    limits = PageLimits(connections=8, idle_s=60.0)
    async with page_server(limits) as (one, link):
        port = int(link.split(":")[2].partition("/")[0])
        silent = [await asyncio.open_connection("127.0.0.1", port) for _ in range(20)]
        async with aiohttp.ClientSession() as session:
            asked = session.get(f"http://127.0.0.1:{port}/?key={one.key}")
            async with asked as answer:
                assert answer.status == 200
        for early, _ in silent[:12]:
            with suppress(ConnectionError):
                assert await asyncio.wait_for(early.read(), 5) == b""
        for _, end in silent:
            end.close()


async def test_an_open_page_is_not_cut_off_for_others() -> None:
    limits = PageLimits(connections=2, idle_s=60.0)
    async with page_server(limits) as (_, link), aiohttp.ClientSession() as session:
        page = await session.ws_connect(link)
        port = int(link.split(":")[2].partition("/")[0])
        silent = [await asyncio.open_connection("127.0.0.1", port) for _ in range(9)]
        await page.send_str(json.dumps(["ping", "here"]))
        assert json.loads((await page.receive(5)).data) == ["pong", "here"]
        for _, end in silent:
            end.close()


async def test_a_page_that_sends_without_an_end_is_ended() -> None:
    """Before, it was read slowly, and its process outlived it by a minute."""
    async with page_server(PageLimits()) as (_, link), aiohttp.ClientSession() as s:
        one = await s.ws_connect(link)
        clicks = json.dumps(["stdin", "\x1b[<0;5;5M\x1b[<0;5;5m" * 100])
        ended = asyncio.ensure_future(closed(one))
        while not ended.done():  # what came slowly is no more than it may send
            with suppress(ConnectionError):
                for _ in range(AT_ONCE // len(clicks) + 2):
                    await one.send_str(clicks)
            await asyncio.wait([ended], timeout=3.0)
        assert await ended == 1008


async def test_a_name_that_no_file_can_have_is_not_found() -> None:
    async with page_server(PageLimits()) as (one, link), aiohttp.ClientSession() as s:
        base = link.replace("ws:", "http:").partition("/ws/")[0]
        async with s.get(f"{base}/static/{one.key}/{'a' * 5_000}") as answer:
            assert answer.status == 404


async def test_a_message_beyond_64_kib_ends_the_page() -> None:
    async with page_server(PageLimits()) as (_, link), aiohttp.ClientSession() as s:
        one = await s.ws_connect(link)
        await one.send_str(json.dumps(["stdin", "a" * 70_000]))
        assert await closed(one) == 1009  # RFC 6455: too big


async def test_octets_end_the_page() -> None:
    async with page_server(PageLimits()) as (_, link), aiohttp.ClientSession() as s:
        one = await s.ws_connect(link)
        await one.send_bytes(b'["focus"]')
        assert await closed(one) == 1008


def test_the_page_asks_nobody_else() -> None:
    assert re.findall(r"(?:src|href)=\"(?!/static/|data:)", PAGE) == []
    assert "//" not in PAGE.replace('"wss://"', "").replace('"ws://"', "")
    assert "KEY" not in page_of("abc") and '"/ws/abc"' in page_of("abc")
    assert "HOST" not in policy_of("127.0.0.1:8642")


@pytest.mark.parametrize(
    ("host", "local"),
    [
        ("127.0.0.1", True), ("::1", True), ("localhost", True), ("127.9.9.9", True),
        ("0.0.0.0", False), ("::", False), ("192.0.2.4", False), ("bench-pc", False),
    ],
)  # fmt: skip
def test_beyond_this_computer_nothing_can_be_changed(host: str, local: bool) -> None:
    one = ServedScreens(Path("a.db"), 3, host=host)
    assert one.is_local is local
    assert ("--look-only" in one.words) is not local
    assert (
        "--look-only" in ServedScreens(Path("a.db"), 3, host=host, look_only=True).words
    )


def test_what_is_missing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "textual_serve", None)
    with pytest.raises(BenchlogError, match=r"pip install '\.\[browser\]'"):
        serving.serve(ServedScreens(Path("a.db"), 1))
