"""Looking on in a page, from the browser's side: nothing it sends changes a run.

The keeper, the server, the page's process and the socket are real; only the browser's
script is played here. `test_serving_in_browser.py` has the same with a browser.
"""

import asyncio
import json
import random
import sqlite3
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager, closing, contextmanager

import aiohttp
import pytest
from aiohttp import web
from aiohttp.test_utils import TestServer
from cli.conftest import Line
from cli.served_pages import pages, seen, served
from seeds import seeded_random
from waiting import wait_for

from benchlog.clock import host_deadline

DEEDS = ("note", "mark", "paused", "resumed")


@contextmanager
def soaking(line: Line, bench: str) -> Iterator[None]:
    """Have a run that goes on until it is stopped, with at least three readings."""
    words = ["--bench", bench, "--part", "quartz-16mhz-30ppm", "--device", "KX-1"]
    with line.started("soak", *words, "--no-screen"):
        wait_for(lambda: line.db.exists() and deeds(line)["readings"] >= 3)
        yield


def deeds(line: Line) -> dict[str, object]:
    """Return what anybody did to run 1: whether it is open, its events of people."""
    try:
        with closing(sqlite3.connect(f"file:{line.db}?mode=ro", uri=True)) as db:
            ended = db.execute("SELECT ended_how FROM runs WHERE id = 1").fetchall()
            kinds = [k for (k,) in db.execute("SELECT kind FROM events WHERE run_id=1")]
            (readings,) = db.execute(
                "SELECT count(*) FROM readings WHERE run_id = 1"
            ).fetchone()
            (runs,) = db.execute("SELECT count(*) FROM runs").fetchone()
    except sqlite3.Error:
        return {"open": False, "events": [], "readings": 0, "runs": 0}
    return {
        "open": ended == [(None,)],
        "events": [kind for kind in kinds if kind in DEEDS],
        "readings": readings,
        "runs": runs,
    }


def keys(text: str) -> str:
    return json.dumps(["stdin", text])


def click(column: int, row: int) -> str:
    """A click as a terminal reports it (SGR 1006)."""
    at = f"{column};{row}"
    return keys(f"\x1b[<0;{at}M\x1b[<0;{at}m")


@asynccontextmanager
async def opened(link: str) -> AsyncIterator[aiohttp.ClientWebSocketResponse]:
    """Open a page and wait until it shows the device."""
    async with aiohttp.ClientSession() as session, session.ws_connect(link) as socket:
        await seen(socket, b"KX-1")
        yield socket


async def taken_by(
    socket: aiohttp.ClientWebSocketResponse, texts: Sequence[str], pause_s: float
) -> int:
    """Send texts; return how many a page took before it was closed there, if it was."""
    for number, text in enumerate(texts):
        try:
            await socket.send_str(text)
        except ConnectionResetError:  # the page has ended: that is its right
            return number
        await asyncio.sleep(pause_s)
    return len(texts)


LETTERS = ("p", "n", "typed", "\r", "m", "word", "\r", "k", "\x10", "s", "s", "\x1b")
LAST = ("a", "KX-2", "\r", "pnx\rs", "\x03", "s")
Batch = tuple[list[str], float]
"""What is sent to a page, and the rest between two of them in seconds."""


def batches(columns: int) -> list[Batch]:
    """Return whatever could change a run: keys, clicks, the palette's key.

    A click is in each of so many columns apart, in the lines with the keys.
    """
    places = [(at, row) for row in (28, 29, 30) for at in range(1, 121, columns)]
    return [
        ([keys(text) for text in LETTERS], 0.1),
        ([click(*place) for place in places], 0.0),
        ([keys(text) for text in LAST], 0.1),
    ]


def few() -> list[Batch]:
    """Return the same for one page: fewer clicks, and nothing after Ctrl-C."""
    texts = [one for of_batch, _ in batches(12) for one in of_batch]
    return [(texts[:-1], 0.05)]


async def meddling(link: str, told: Sequence[Batch]) -> None:
    """Do all that in a page, each batch in one of its own.

    A page that has ended, as by Ctrl-C, is opened again for the rest.
    """
    for texts, pause_s in told:
        left = list(texts)
        while left:
            async with opened(f"{link}?width=120&height=30") as socket:
                await asyncio.sleep(0.5)
                done = await taken_by(socket, left, pause_s)
                await asyncio.sleep(0.5)
            assert done, "a page took nothing"
            left = left[done:]


async def hammering(link: str, rng: random.Random, most: int) -> int:
    """Send pages `most` keys of any kind; a page that was left is opened again."""
    odd = ["\x1b", "\r", "\t", "\x10", "\x1b[A", "\x1b[200~", "\x1b[201~", "\x1b[<0;5;"]
    sent, limit = 0, host_deadline(60.0)
    while sent < most and not limit.passed:
        async with opened(link) as socket:
            while sent < most:
                picks = [rng.choice([*"pnmaksvhlwyb123?/ ", *odd]) for _ in range(8)]
                if not await taken_by(socket, [keys("".join(picks))], 0.01):
                    break
                sent += len(picks)
    return sent


async def in_vain(link: str) -> None:
    """Do all that in one page; ask for help at last, which is given: it arrived."""
    (texts, pause_s), *_ = few()
    async with opened(f"{link}?width=120&height=30") as socket:
        texts = texts[:-1]  # Ctrl-C ends the page
        assert await taken_by(socket, texts, pause_s) == len(texts)
        for text in ("\x1b", "\x1b", "?"):
            await asyncio.sleep(0.3)  # an escape by itself is told by a pause
            await socket.send_str(keys(text))
        await seen(socket, b"What the figures mean")


def test_who_may_only_look_types_in_vain(line: Line, bench: str) -> None:
    """In a page that may act the same keys do: below, a campaign."""
    with soaking(line, bench), served(line, "--look-only") as server:
        assert "nothing can be changed" in server.said
        asyncio.run(in_vain(server.link))
        found = deeds(line)
        assert found["open"] and found["events"] == [], found
        assert found["runs"] == 1
        wait_for(lambda: deeds(line)["readings"] >= found["readings"] + 3)


@pytest.mark.campaign  # every suite: the test above; what a page may: test_serving.py
@pytest.mark.parametrize(
    ("told", "most"), [(few(), 0), (batches(3), 600)], ids=["few", "many"]
)
def test_a_page_that_may_only_look_changes_nothing(
    line: Line, bench: str, told: list[Batch], most: int
) -> None:
    """Some 10 s with many keys: a keeper and two servers are started.

    The same is done in a page that may act, so that it is known to arrive.
    """
    with soaking(line, bench):
        with served(line, "--look-only") as server:
            assert "nothing can be changed" in server.said
            asyncio.run(meddling(server.link, told))
            sent = asyncio.run(hammering(server.link, seeded_random(6), most))
            assert sent > most - 100
            found = deeds(line)
            assert found["open"] and found["events"] == [], found
            assert found["runs"] == 1
            wait_for(lambda: deeds(line)["readings"] >= found["readings"] + 3)
            wait_for(lambda: not pages(line.db), 15)
        with served(line) as server:
            assert "can also pause, note and stop" in server.said

            def are_found() -> object:  # keys that come before the screen are lost
                asyncio.run(meddling(server.link, told))
                return deeds(line)["events"]

            wait_for(are_found)


def test_a_page_that_ends_while_it_is_typed_in_is_no_fault_of_the_test() -> None:
    """Its socket may be closing by then, which aiohttp tells by an error of its own."""

    async def ends_soon(request: web.Request) -> web.WebSocketResponse:
        page = web.WebSocketResponse()
        await page.prepare(request)
        await page.receive_str()
        assert request.transport is not None
        request.transport.abort()
        return page

    async def typed() -> int:
        app = web.Application()
        app.router.add_get("/", ends_soon)
        async with (
            TestServer(app) as server,
            aiohttp.ClientSession() as session,
            session.ws_connect(server.make_url("/")) as socket,
        ):
            return await taken_by(socket, 50 * ["a"], 0.01)

    assert 1 <= asyncio.run(typed()) < 50
