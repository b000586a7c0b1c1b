"""`watch --serve` without a browser: who is let in, what a page gets, no strays."""

import asyncio
import re
import signal
import subprocess
from contextlib import suppress
from pathlib import Path

import pytest
from cli.conftest import PROGRAM, Line, wait_for

from benchlog.cli.tasks import browser_server as serving
from benchlog.cli.tasks.browser_server import PAGE, ServedScreens
from benchlog.errors import BenchlogError

aiohttp = pytest.importorskip("aiohttp")
pytest.importorskip("textual_serve")


@pytest.fixture
def served(line: Line) -> object:
    line.run("demo", "--readings", "3", "--no-screen", "--db", str(line.db))
    with subprocess.Popen(
        [*PROGRAM, "watch", "1", "--serve", "--port", "0"],
        cwd=line.folder,
        env=line.environment(),
        stdin=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stderr is not None
        said = process.stderr.readline() + process.stderr.readline()
        found = re.search(r"http://127\.0\.0\.1:\d+/\?key=\S+", said)
        assert found, said
        yield found.group(), said, process
        process.kill()
        process.communicate(timeout=10)


def pages(database: Path) -> list[int]:
    """Return the processes behind pages of this database."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with suppress(OSError):
            words = path.read_bytes().decode(errors="replace").split("\0")
            if "--in-browser" in words and str(database) in words:
                found.append(int(path.parent.name))
    return found


async def statuses(url: str) -> dict[str, int]:
    base = url.split("?", maxsplit=1)[0]
    asked = {
        "no key": (base, {}),
        "wrong key": (f"{base}?key=guess", {}),
        "no key to the link": (f"{base}ws", {}),
        "no key to the script": (f"{base}static/js/textual.js", {}),
        "another site's page": (url, {"Origin": "http://example.invalid"}),
        "the key": (url, {}),
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
                assert "SameSite=Strict" in answer.headers["Set-Cookie"]
    return found


def test_only_the_printed_address_opens_it(served: object) -> None:
    url, said, _ = served  # type: ignore[misc]
    found = asyncio.run(statuses(url))
    assert found.pop("the key") == 200
    assert set(found.values()) == {403}
    assert "Only this computer can reach it" in said


def test_a_page_gets_the_screen_and_leaves_nothing(served: object, line: Line) -> None:
    url, _, process = served  # type: ignore[misc]

    async def look() -> bytes:
        jar = aiohttp.CookieJar(unsafe=True)
        seen = b""
        async with aiohttp.ClientSession(cookie_jar=jar) as session:
            async with session.get(url):
                pass
            link = url.split("?")[0] + "ws?width=100&height=30"
            async with session.ws_connect(link) as socket:
                while b"DEMO-0001" not in seen:
                    message = await asyncio.wait_for(socket.receive(), 30)
                    seen += message.data if isinstance(message.data, bytes) else b""
                assert len(pages(line.db)) == 1
        return seen

    assert asyncio.run(look())
    wait_for(lambda: not pages(line.db), 15)
    process.send_signal(signal.SIGTERM)
    assert process.wait(15) == 0


def test_the_page_asks_nobody_else() -> None:
    assert re.findall(r"(?:src|href)=\"(?!/static/)", PAGE) == []
    assert "//" not in PAGE.replace('"wss://"', "").replace('"ws://"', "")


@pytest.mark.parametrize(
    ("host", "local"),
    [
        ("127.0.0.1", True), ("::1", True), ("localhost", True), ("127.9.9.9", True),
        ("0.0.0.0", False), ("::", False), ("192.0.2.4", False), ("bench-pc", False),
    ],
)  # fmt: skip
def test_beyond_this_computer_nothing_can_be_changed(host: str, local: bool) -> None:
    served = ServedScreens(Path("a.db"), 3, host)
    assert served.is_local is local
    assert ("--look-only" in served.words) is not local


def test_what_is_missing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "textual_serve", None)
    with pytest.raises(BenchlogError, match=r"pip install '\.\[browser\]'"):
        serving.serve(ServedScreens(Path("a.db"), 1))
