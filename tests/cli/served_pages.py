"""Pages served and looked at: the server as a process, its address, real browsers."""

import asyncio
import re
import shutil
import subprocess
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from pathlib import Path
from typing import Any

import aiohttp
from cli.conftest import PROGRAM, Line
from warm_program import Program

from benchlog.clock import host_deadline, host_sleep

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
PATIENCE_S = 60.0
SHOWN = "document.body.className + '|' + document.body.innerText"
ADDRESS = re.compile(r"http://(127\.0\.0\.1:\d+)/\?key=(\S+)")


class Served:
    """A server of pages, and what it printed."""

    def __init__(self, process: "subprocess.Popen[str]", said: str) -> None:
        found = ADDRESS.search(said)
        assert found, said
        self.process, self.said = process, said
        self.url, self.host, self.key = found.group(), found[1], found[2]

    @property
    def link(self) -> str:
        """Where a page's socket is."""
        return f"ws://{self.host}/ws/{self.key}"


@contextmanager
def served(line: Line, *words: str, run: int = 1) -> Iterator[Served]:
    with Program(
        [*PROGRAM, "watch", str(run), "--serve", "--port", "0", *words],
        cwd=line.folder,
        env=line.environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stderr is not None
        try:
            yield Served(process, process.stderr.readline() + process.stderr.readline())
        finally:
            if process.poll() is None:
                process.terminate()
            process.communicate(timeout=30)


def stopped(server: Served) -> str:
    """End a server; return what it printed after its address."""
    server.process.terminate()
    said, told = server.process.communicate(timeout=30)
    return said + told


def pages(database: Path) -> list[int]:
    """Return the processes behind pages of this database."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with suppress(OSError):
            words = path.read_bytes().decode(errors="replace").split("\0")
            if "--in-browser" in words and str(database) in words:
                found.append(int(path.parent.name))
    return found


async def seen(socket: Any, what: bytes, within_s: float = PATIENCE_S) -> bytes:
    """Return what a page was sent until `what` is in it."""
    found, limit = b"", host_deadline(within_s)
    while what not in found:
        message = await socket.receive(timeout=max(0.1, limit.left_s()))
        assert message.type is aiohttp.WSMsgType.BINARY, message
        found += message.data
    return found


class Tab:
    """A page in Chromium, spoken to over its debugging socket."""

    def __init__(self, link: Any) -> None:
        self._link, self._number = link, 0

    async def do(self, method: str, **parameters: object) -> dict[str, Any]:
        self._number += 1
        wish = {"id": self._number, "method": method, "params": parameters}
        await self._link.send_json(wish)
        while True:
            said = await self._link.receive_json(timeout=PATIENCE_S)
            if said.get("id") == self._number:
                return dict(said.get("result", {}))

    async def text(self) -> str:
        """Return the classes of the page and all its text."""
        found = await self.do("Runtime.evaluate", expression=SHOWN)
        return str(found["result"].get("value", "")).replace("\u00a0", " ")

    async def until(self, what: str) -> str:
        """Return what the page shows once `what` is there, or at last."""
        limit = host_deadline(PATIENCE_S)
        while what not in (said := await self.text()) and not limit.passed:
            await asyncio.sleep(0.2)
        return said

    async def press(self, key: str, modifiers: int = 0) -> None:
        """Press and release a key: a letter, or the name of a key."""
        code = {"Enter": 13, "Escape": 27, "Tab": 9}.get(key, ord(key[0].upper()))
        told = {"key": key, "windowsVirtualKeyCode": code, "modifiers": modifiers}
        if len(key) == 1 and not modifiers:
            told["text"] = key
        elif key == "Enter":
            told["text"] = "\r"
        await self.do("Input.dispatchKeyEvent", type="keyDown", **told)
        await self.do("Input.dispatchKeyEvent", type="keyUp", **told)

    async def click(self, x: int, y: int) -> None:
        told: dict[str, object] = {"x": x, "y": y, "button": "left", "clickCount": 1}
        await self.do("Input.dispatchMouseEvent", type="mousePressed", **told)
        await self.do("Input.dispatchMouseEvent", type="mouseReleased", **told)


@contextmanager
def browser(url: str, profile: Path) -> Iterator[int]:
    """Open a page; without 3D the terminal is drawn as text, which can be read."""
    words = [
        str(CHROMIUM),
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-3d-apis",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
        "--remote-debugging-port=0",
        f"--user-data-dir={profile}",
        "--window-size=1000,700",
        url,
    ]
    quiet = subprocess.DEVNULL
    with subprocess.Popen(words, stdin=quiet, stdout=quiet, stderr=quiet) as process:
        try:
            limit, told = host_deadline(PATIENCE_S), profile / "DevToolsActivePort"
            while not (told.exists() and told.read_text().count("\n")):
                assert not limit.passed and process.poll() is None, "no browser came up"
                host_sleep(0.1)
            yield int(told.read_text().split("\n")[0])
        finally:
            process.terminate()
            process.wait(timeout=30)


@asynccontextmanager
async def tab(port: int, number: int = 0) -> AsyncIterator[Tab]:
    """Speak to a page of a browser, the first one opened unless a number is given."""
    base, limit = f"http://127.0.0.1:{port}/json", host_deadline(PATIENCE_S)
    async with aiohttp.ClientSession() as session:
        found: list[dict[str, str]] = []
        while len(found) <= number:
            assert not limit.passed, "the browser opened no page"
            async with session.get(base) as answer:
                found = [one for one in await answer.json() if one["type"] == "page"]
            await asyncio.sleep(0.1)
        address = found[number]["webSocketDebuggerUrl"]
        async with session.ws_connect(address, max_msg_size=0) as link:
            yield Tab(link)
