"""The browser view in headless Chromium: live figures, nothing from elsewhere.

    python tests/soak/browser.py [--picture OUT.png]

Serves a simulated soak, opens the page, reads what is drawn twice, and lists every
address the page asked for. Needs the extra `browser` and /usr/bin/chromium.
"""

import argparse
import asyncio
import base64
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from contextlib import suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import aiohttp
import results
import rig as soak_rig

from benchlog.clock import host_sleep

FLAGS = """
    --headless --no-sandbox --disable-gpu --disable-quic --no-first-run
    --disable-background-networking --disable-component-update --disable-sync
    --remote-debugging-port=0 --window-size=1280,800
""".split()  # noqa: SIM905


class Browser:
    """Headless Chromium spoken to over its debugging socket."""

    def __init__(self, folder, session):
        self.folder, self.session = folder, session
        self.requests, self._answers, self._number = [], {}, 0
        self.counts = []

    async def open(self):
        chromium = shutil.which("chromium")
        self.process = subprocess.Popen(
            [chromium, *FLAGS, f"--user-data-dir={self.folder}", "about:blank"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        port_file = self.folder / "DevToolsActivePort"
        for _ in range(300):
            if port_file.exists() and port_file.read_text().count("\n"):
                break
            await asyncio.sleep(0.1)
        port = port_file.read_text().split()[0]
        for _ in range(100):
            async with self.session.get(f"http://127.0.0.1:{port}/json") as answer:
                pages = [p for p in await answer.json() if p["type"] == "page"]
            if pages:
                break
            await asyncio.sleep(0.1)
        url = pages[0]["webSocketDebuggerUrl"]
        self.link = await self.session.ws_connect(url, max_msg_size=0)
        self.listener = asyncio.create_task(self._listen())
        await self.do("Network.enable")
        await self.do("Page.enable")

    async def _listen(self):
        async for message in self.link:
            said = json.loads(message.data)
            if "id" in said:
                self._answers.pop(said["id"]).set_result(said.get("result", {}))
            elif said["method"] == "Network.requestWillBeSent":
                self.requests.append(said["params"]["request"]["url"])
            elif said["method"] == "Network.webSocketCreated":
                self.requests.append(said["params"]["url"])
            elif said["method"] == "Network.webSocketFrameReceived":
                self._frame(said["params"]["response"]["payloadData"])

    def _frame(self, payload):
        """Note how many readings the screen says there are."""
        with suppress(ValueError):
            text = base64.b64decode(payload).decode("utf-8", "replace")
            plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text)
            self.counts += [int(n) for n in re.findall(r"(\d+) readings", plain)]

    async def do(self, method, **parameters):
        self._number += 1
        future = asyncio.get_running_loop().create_future()
        self._answers[self._number] = future
        wish = {"id": self._number, "method": method, "params": parameters}
        await self.link.send_json(wish)
        return await asyncio.wait_for(future, 30)

    async def evaluate(self, expression):
        found = await self.do(
            "Runtime.evaluate", expression=expression, returnByValue=True
        )
        return found.get("result", {}).get("value")

    async def picture(self):
        found = await self.do("Page.captureScreenshot")
        return base64.b64decode(found["data"])

    async def close(self):
        self.listener.cancel()
        await self.link.close()
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()


def start_view(rig, run_id):
    """Serve a run; return the process and the address it printed."""
    words = ["watch", str(run_id), "--db", str(rig.database), "--serve", "--port", "0"]
    process = subprocess.Popen(
        [sys.executable, "-m", "benchlog.cli", *words],
        env=rig.environment(),
        stdin=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    line = process.stderr.readline()
    found = re.search(r"http://\S+", line)
    assert found, line
    return process, found.group()


async def look(url, folder):
    """Open the view; return two pictures, the addresses asked for, HTTP refusals."""
    async with aiohttp.ClientSession() as session:
        base = url.split("?")[0]
        refused = {}
        async with session.get(base) as answer:
            refused["no key"] = answer.status
        headers = {"Origin": "http://example.invalid"}
        async with session.get(url, headers=headers) as answer:
            refused["another site"] = answer.status
        browser = Browser(folder, session)
        await browser.open()
        try:
            await browser.do("Page.navigate", url=url)
            for _ in range(200):
                opened = "document.body.classList.contains('-first-byte')"
                if await browser.evaluate(opened):
                    break
                await asyncio.sleep(0.1)
            await asyncio.sleep(4)
            first = await browser.picture()
            await asyncio.sleep(3)
            second = await browser.picture()
        finally:
            await browser.close()
    return first, second, browser.requests, refused, browser.counts


def processes_of(session_leader_words):
    """Return pids whose command line holds all these words."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with suppress(OSError):
            words = path.read_bytes().decode(errors="replace").split("\0")
            if all(word in words for word in session_leader_words):
                found.append(int(path.parent.name))
    return found


def view(folder):
    """Do it all; return what there is to judge."""
    rig = soak_rig.Rig(folder, scale=1, gate_s=0.2)
    try:
        rig.start_bench()
        rig.start_keeper(600)
        with rig.reader() as reader:
            run_id = reader.latest_run().id
        process, url = start_view(rig, run_id)
        try:
            found = asyncio.run(look(url, folder / "chromium"))
            words = ["--in-browser", str(rig.database)]
            host_sleep(4.0)
            after_close = processes_of(words)
            stopped = _stop_with_page_open(process, url, words)
        finally:
            if process.poll() is None:
                process.kill()
            process.stderr.close()
            process.wait()
    finally:
        rig.stop()
    return *found, after_close, stopped, url


def _stop_with_page_open(process, url, words):
    """Stop the server while somebody looks on; return (exit code, strays)."""

    async def open_and_stop():
        jar = aiohttp.CookieJar(unsafe=True)
        async with aiohttp.ClientSession(cookie_jar=jar) as session:
            async with session.get(url):
                pass
            at = url.split("?")[0] + "ws?width=100&height=30"
            async with session.ws_connect(at) as link:
                await asyncio.wait_for(link.receive(), 20)
                process.send_signal(signal.SIGTERM)
                await asyncio.to_thread(process.wait, 15)

    asyncio.run(open_and_stop())
    host_sleep(0.5)
    return process.returncode, processes_of(words)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--picture", type=Path)
    parser.add_argument("--keep", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="soak-browser-") as folder:
        first, second, requests, refused, counts, after, stopped, url = view(
            Path(folder)
        )
    if given.picture:
        given.picture.write_bytes(second)
    own = url.split("/?")[0].partition("://")[2]
    foreign = [r for r in requests if r.partition("://")[2].split("/")[0] != own
               and not r.startswith(("data:", "blob:"))]  # fmt: skip
    print("readings shown over time:", counts)
    print("asked for:", *sorted(set(requests)), sep="\n  ")
    print("foreign:", foreign, "refused:", refused)
    print("picture changes:", first != second, "strays after closing:", after)
    print("exit code and strays after SIGTERM with a page open:", stopped)
    body = [
        ("different counts of readings shown", str(len(set(counts)))),
        ("addresses asked for elsewhere", str(len(foreign))),
        ("answers without the key, or to another site's page", str(refused)),
        ("processes left after the page was closed", str(len(after))),
        ("exit code, and processes left, after SIGTERM with a page open", str(stopped)),
    ]
    note = "Headless Chromium on a run of five readings a second."
    results.report("Browser view", ("what", "found"), body, note, keep=given.keep)
    fine = (
        not foreign
        and len(set(counts)) > 3
        and first != second
        and not after
        and stopped == (0, [])
    )
    return 0 if fine and set(refused.values()) == {403} else 1


if __name__ == "__main__":
    sys.exit(main())
