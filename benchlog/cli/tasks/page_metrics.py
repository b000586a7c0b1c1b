"""`/metrics` beside the pages that `watch --serve` shows."""

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Final

from benchlog.clock import host_clock
from benchlog.errors import MissingExtraError

if TYPE_CHECKING:
    from aiohttp import web

    from benchlog.metrics.scrapes import Scrapes

METRICS: Final = "/metrics"
CALLERS: Final = 8  # our rule: as the server for metrics alone has it


class PageMetrics:
    """The figures of a database for scrapes; nothing is read before the first."""

    def __init__(self, database: Path) -> None:
        self._database = database
        self._scrapes: Scrapes | None = None
        self._callers = 0

    async def answer(self) -> "web.Response":
        """Return the figures as they are now, or why there are none."""
        from aiohttp import web

        if self._callers >= CALLERS:
            return web.Response(status=503, text="too many ask at once\n")
        self._callers += 1
        try:
            text = await asyncio.to_thread(self._text)
        except MissingExtraError as error:
            return web.Response(status=501, text=f"{error}\n")
        finally:
            self._callers -= 1
        if text is None:
            said = "the readings of a long run are gone through; ask again\n"
            return web.Response(status=503, text=said)
        from benchlog.metrics.exposition import CONTENT_TYPE

        headers = {"Content-Type": CONTENT_TYPE, "Cache-Control": "no-store"}
        return web.Response(body=text, headers=headers)

    def close(self) -> None:
        """Let go of the database."""
        if self._scrapes is not None:
            self._scrapes.close()

    def _text(self) -> bytes | None:
        if self._scrapes is None:
            from benchlog.metrics.scrapes import Scrapes

            self._scrapes = Scrapes(self._database, host_clock())
        return self._scrapes.text()
