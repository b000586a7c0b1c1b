"""`watch --serve` in a real browser: the page becomes the screen."""

import asyncio
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from cli.conftest import PROGRAM, Line

from benchlog.clock import host_deadline, host_sleep

aiohttp = pytest.importorskip("aiohttp")
pytest.importorskip("textual_serve")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")
PATIENCE_S = 60.0
SHOWN = "document.body.className + '|' + document.body.innerText"


@contextmanager
def page_served(line: Line) -> Iterator[str]:
    words = [*PROGRAM, "watch", "1", "--serve", "--port", "0"]
    with subprocess.Popen(
        words,
        cwd=line.folder,
        env=line.environment(),
        stdin=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stderr is not None
        said = process.stderr.readline() + process.stderr.readline()
        found = re.search(r"http://127\.0\.0\.1:\d+/\?key=\S+", said)
        try:
            assert found, said
            yield found.group()
        finally:
            process.terminate()
            process.communicate(timeout=30)


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


async def shown(port: int, what: str) -> str:
    """Return what the page shows once `what` is there, or at last."""
    base, limit, said = f"http://127.0.0.1:{port}/json", host_deadline(PATIENCE_S), ""
    async with aiohttp.ClientSession() as session:
        while what not in said and not limit.passed:
            async with session.get(base) as answer:
                tabs = await answer.json()
            found = [tab for tab in tabs if tab["type"] == "page"]
            if found:
                said = await evaluated(session, found[0]["webSocketDebuggerUrl"])
            await asyncio.sleep(0.2)
    return said.replace("\u00a0", " ")


async def evaluated(session: "aiohttp.ClientSession", address: str) -> str:
    asked = {"id": 1, "method": "Runtime.evaluate", "params": {"expression": SHOWN}}
    async with session.ws_connect(address, max_msg_size=0) as socket:
        await socket.send_json(asked)
        answer = await socket.receive_json(timeout=PATIENCE_S)
    return str(answer["result"]["result"].get("value", ""))


def test_the_page_becomes_the_screen(line: Line, tmp_path: Path) -> None:
    line.run("demo", "--readings", "3", "--no-screen", "--db", str(line.db))
    with (
        page_served(line) as url,
        browser(url, tmp_path / "profile") as port,
    ):
        said = asyncio.run(shown(port, "ppm offset"))
    assert "ppm offset" in said and "3 readings" in said and "SIMULATED" in said
    assert "-first-byte" in said.partition("|")[0], "what stood before is gone"
    assert "opening the screen" not in said
