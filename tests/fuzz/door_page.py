"""What a page in a browser sends: messages of its socket, to a real server of pages.

An input is messages parted by a record separator (0x1E); what is no UTF-8 is sent as
octets. Every message is read. The first ten inputs (the corpus, when it is entered
again) and each 40th go through the socket, too, to a process that stands for a screen;
then the server must still answer.
"""

import asyncio
import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Final

import aiohttp
import aiohttp.web
from fuzz.loop import Door

from benchlog.cli.tasks.browser_page import MalformedMessageError, read_message
from benchlog.cli.tasks.browser_server import PageLimits, PageServer, ServedScreens

PARTED: Final = b"\x1e"
WORDS: Final = (
    b'["stdin", "', b'["resize", {"width": ', b'"height": ', b'["ping", "',
    b'["focus"]', b'"}]', b'["blur"]', b'["quit"]', b'"]', b"}]", PARTED, b"\\ud800",
    b"\\u0000", b"\\u001b[",
    b"\\u001b[<0;1;1M", b"\\u001b[200~", b"[" * 500, b"999999999999999999999",
)  # fmt: skip
STANDS_FOR_A_SCREEN: Final = (
    "import os\n"
    "os.write(1, b'__GANGLION__\\n')\n"
    "while (d := os.read(0, 65536)) and b'quit' not in d: pass\n"
)
_FIRST, _EVERY = 10, 40
_CLOSED: Final = (1000, 1006, 1008, 1009)
"""RFC 6455, section 7.4.1: ended as usual, gone, against the policy, too big."""


class _NoScreens(ServedScreens):
    @property
    def words(self) -> list[str]:
        return [sys.executable, "-I", "-S", "-c", STANDS_FOR_A_SCREEN]


@contextmanager
def door() -> Iterator[Door]:
    limits = PageLimits(openings=10**6)
    server = PageServer(_NoScreens(Path("a.db"), 1, limits=limits))
    number, loud = count(), _Loud()
    with asyncio.Runner() as runner:
        serving = runner.run(_serve(server))
        where = f"http://127.0.0.1:{serving.addresses[0][1]}"
        session = runner.run(_session())

        def enter(data: bytes) -> str:
            messages = data.split(PARTED)
            said = next(filter(None, map(_read, messages)), "")
            n = next(number)
            if n < _FIRST or n % _EVERY == 0:
                runner.run(_through(session, server.key, where, messages))
                assert loud.said == [], loud.said
            return said

        try:
            yield Door(name="page", enter=enter, words=WORDS, slowest_s=1.0)
        finally:
            runner.run(session.close())
            runner.run(server.close())
            runner.run(serving.cleanup())
            loud.end()


class _Loud(logging.Handler):
    """Hears what the server complains of."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.said: list[str] = []
        self._of = [logging.getLogger(name) for name in ("benchlog", "asyncio")]
        for one in self._of:
            one.addHandler(self)

    def emit(self, record: logging.LogRecord) -> None:
        self.said.append(self.format(record))

    def end(self) -> None:
        for one in self._of:
            one.removeHandler(self)


async def _serve(server: PageServer) -> aiohttp.web.AppRunner:
    serving = server.runner()
    await serving.setup()
    await aiohttp.web.TCPSite(serving, "127.0.0.1", 0).start()
    return serving


async def _session() -> aiohttp.ClientSession:
    return aiohttp.ClientSession()


def _read(message: bytes) -> str:
    try:
        read_message(message.decode())
    except (UnicodeDecodeError, MalformedMessageError) as error:
        return str(error) if isinstance(error, MalformedMessageError) else "octets"
    return ""


async def _through(
    session: aiohttp.ClientSession, key: str, where: str, messages: list[bytes]
) -> None:
    link = await session.ws_connect(f"{where}/ws/{key}", timeout=_PATIENCE)
    for one in messages:
        try:
            await link.send_str(one.decode())
        except UnicodeDecodeError:
            await link.send_bytes(one)
        except ConnectionError:
            break  # the page was ended by a message before
    await link.close()
    assert link.close_code in _CLOSED, link.close_code
    async with session.get(f"{where}/?key={key}") as answer:
        assert answer.status == 200


_PATIENCE: Final = aiohttp.ClientWSTimeout(ws_close=10.0)
