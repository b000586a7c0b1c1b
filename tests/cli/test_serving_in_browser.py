"""`watch --serve` in a real browser: the page becomes the screen, and may only look."""

import asyncio
from pathlib import Path

import pytest
from cli.conftest import Line
from cli.served_pages import CHROMIUM, Tab, browser, served, tab
from cli.test_served_looking import deeds, soaking
from waiting import wait_for

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")


def test_the_page_becomes_the_screen(line: Line, tmp_path: Path) -> None:
    line.run("demo", "--readings", "3", "--no-screen", "--db", str(line.db))

    async def look(port: int) -> str:
        async with tab(port) as page:
            return await page.until("ppm offset")

    with served(line) as server, browser(server.url, tmp_path / "profile") as port:
        said = asyncio.run(look(port))
    assert "ppm offset" in said and "3 readings" in said and "SIMULATED" in said
    assert "-first-byte" in said.partition("|")[0], "what stood before is gone"
    assert "opening the screen" not in said


@pytest.mark.campaign  # `test_served_looking.py` sends the same to a page's socket
def test_who_looks_on_in_a_browser_changes_nothing(
    line: Line, tmp_path: Path, bench: str
) -> None:
    """Keys, the palette's key, clicks on the bar of keys: the run goes on as it was.

    In the page of another server beside it, which may act, the same keys do: they
    arrive. Neither shuts the other out. Some 15 s: a keeper, two servers, a browser.
    """

    async def meddle(page: Tab) -> None:
        await page.until("ppm offset")
        await page.click(500, 300)  # the terminal takes keys from now on
        for key in (*"pnxyz", "Enter", *"mx", "Enter", *"kss"):
            await page.press(key)
            await asyncio.sleep(0.05)
        for key in ("p", "c", "q", "z", "s"):
            await page.press(key, modifiers=2)  # with Ctrl
        await page.press("Escape")
        for x in range(10, 990, 25):
            await page.click(x, 690)
        await asyncio.sleep(0.5)

    async def look(port: int, other: str) -> None:
        async with tab(port) as page:
            await meddle(page)
            found = deeds(line)
            assert found["open"] and found["events"] == [], found
            assert found["runs"] == 1
            await page.do("Page.navigate", url=other)
            await page.until("pause p")
            await page.click(500, 300)
            await page.press("n")
            assert "Note for this run" in await page.until("Note for this run")
            for key in ("x", "Enter"):
                await page.press(key)
                await asyncio.sleep(0.3)
            wait_for(lambda: deeds(line)["events"] == ["note"])
            before = await page.do("Page.getNavigationHistory")
            entry = before["entries"][before["currentIndex"] - 1]["id"]
            await page.do("Page.navigateToHistoryEntry", entryId=entry)
            again = await page.until("ppm offset")
            assert "ppm offset" in again and "pause p" not in again

    with (
        soaking(line, bench),
        served(line, "--look-only") as one,
        served(line) as two,
        browser(one.url, tmp_path / "profile") as port,
    ):
        asyncio.run(look(port, two.url))
