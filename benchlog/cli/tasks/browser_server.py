"""Screens in a browser: one process for each page, a key in the address, no strays."""

import asyncio
import hmac
import logging
import secrets
import sys
import traceback
from collections import deque
from collections.abc import Callable
from dataclasses import KW_ONLY, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from benchlog.cli.printing import say
from benchlog.cli.tasks.browser_page import (
    MAX_MESSAGE,
    TRY_LATER,
    end_page,
    fitting,
    page_of,
    page_process,
    policy_of,
    relay,
)
from benchlog.cli.tasks.page_guests import Guests
from benchlog.cli.tasks.page_metrics import METRICS, PageMetrics
from benchlog.clock import Deadline, host_deadline
from benchlog.errors import MissingExtraError, UsageError
from benchlog.metrics.addresses import is_own_name, is_this_computer
from benchlog.metrics.serving import ending_signals

if TYPE_CHECKING:
    from aiohttp import web
    from textual_serve.app_service import AppService

Handler = Callable[..., Any]
_BEARER: Final = "Bearer "


@dataclass(frozen=True, slots=True, kw_only=True)
class PageLimits:
    """How many pages may be open, how many may be opened within a time.

    Our rule: a page is a process of some 90 MB that takes a second to start. A bench
    has a few people who look on. A connection that asks for nothing ends after
    `idle_s`, and where more than `connections` are open, as others come: a browser has
    up to six, and each is a descriptor.
    """

    open_pages: int = 16
    connections: int = 64
    openings: int = 12
    within_s: float = 10.0
    idle_s: float = 10.0


@dataclass(frozen=True, slots=True)
class ServedScreens:
    """What is shown in browsers, and where."""

    database: Path
    run: int
    _: KW_ONLY
    host: str = "127.0.0.1"
    port: int = 8642
    look_only: bool = False
    limits: PageLimits = PageLimits()

    @property
    def is_local(self) -> bool:
        """Whether only this computer can reach it."""
        return is_this_computer(self.host)

    @property
    def may_only_look(self) -> bool:
        """Whether pages can change nothing; so it is always over a network."""
        return self.look_only or not self.is_local

    @property
    def words(self) -> list[str]:
        """The command that shows the screen in one page."""
        words = [sys.executable, "-P", "-m", "benchlog.cli", "watch", str(self.run)]
        words += ["--db", str(self.database), "--in-browser"]
        return [*words, "--look-only"] if self.may_only_look else words


def serve(served: ServedScreens) -> None:
    """Serve screens until Ctrl-C or SIGTERM; every page's process ends with it.

    Raises BenchlogError when the extra is missing, UsageError when the address cannot
    be used.
    """
    try:
        import textual_serve  # noqa: F401 - only whether it is there
    except ImportError as error:
        raise MissingExtraError(
            "the browser view needs textual-serve", "browser"
        ) from error
    asyncio.run(_serve(served))


async def _serve(served: ServedScreens) -> None:
    from aiohttp import web

    pages = PageServer(served)
    runner = pages.runner()
    await runner.setup()
    try:
        site = web.TCPSite(runner, served.host, served.port)
        await site.start()
    except OSError as error:
        await runner.cleanup()
        raise UsageError(
            f"{served.host} port {served.port} cannot be used: {error.strerror}; name "
            "another with --host or --port"
        ) from error
    _say_where(served, pages.key, runner)
    try:
        await _until_told()
    finally:
        await pages.close()
        await runner.cleanup()


async def _until_told() -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in ending_signals():
        loop.add_signal_handler(number, stop.set)
    await stop.wait()


def _say_where(served: ServedScreens, key: str, runner: "web.AppRunner") -> None:
    port = runner.addresses[0][1]
    host = f"[{served.host}]" if ":" in served.host else served.host
    say(f"run {served.run} is shown at http://{host}:{port}/?key={key}")
    only_here = "Only this computer can reach it, and only with this address: "
    if not served.is_local:
        said = (
            "Whoever can reach this computer and has this address can look on; it goes "
            "over the network unencrypted, so nothing can be changed from there. For "
            "more, leave --host out and use a tunnel."
        )
    elif served.look_only:
        said = f"{only_here}whoever has it can look on; nothing can be changed there."
    else:
        said = f"{only_here}whoever has it can also pause, note and stop."
    say(f"{said} Ctrl-C ends the view; the run continues.")


class PageServer:
    """The pages: who may open one, and the process behind each.

    Everything but the page itself has the key in its path. Nothing is kept in the
    browser: cookies would go to every other server on this host, whatever its port.
    """

    def __init__(self, served: ServedScreens) -> None:
        self.key = secrets.token_urlsafe(16)
        self._served = served
        self._open: set[AppService] = set()
        self._lately: deque[Deadline] = deque()
        self._figures = PageMetrics(served.database)
        self._guests = Guests(served.limits.connections)

    def runner(self) -> "web.AppRunner":
        """Return what serves the pages once it is set up and given an address."""
        from aiohttp import web

        guests = self._guests

        class Runner(web.AppRunner):
            async def setup(self) -> None:
                await super().setup()
                assert self.server is not None  # it is set up
                guests.bound(self.server)

        return Runner(
            self._application(),
            shutdown_timeout=1.0,
            keepalive_timeout=self._served.limits.idle_s,
            access_log=None,
            logger=_faults_of_ours(),
        )

    def _application(self) -> "web.Application":
        from aiohttp import web
        from textual_serve.server import Server

        @web.middleware
        async def let_in(request: web.Request, handler: Handler) -> web.StreamResponse:
            self._guests.begins(request.protocol)
            try:
                self._check(request)
                response: web.StreamResponse = await handler(request)
            except OSError as error:
                if request.path.startswith("/static/"):  # no file has such a name
                    raise web.HTTPNotFound from error
                raise
            finally:
                self._guests.ends(request.protocol)
            return response

        files = Server("", self._served.host, self._served.port).statics_path
        application = web.Application(middlewares=[let_in], client_max_size=0)
        application.add_routes(
            [
                web.get("/", self._page),
                web.get(METRICS, self._metrics),
                web.get(f"/ws/{self.key}", self._link),
                web.static(f"/static/{self.key}", files),
            ]
        )
        return application

    async def close(self) -> None:
        """End every page's process."""
        for service in list(self._open):
            await end_page(service)
        self._figures.close()

    def _check(self, request: "web.Request") -> None:
        """Let in who has the key and came by this server's own name.

        A page of another site may have the browser ask here, by a name of its own that
        leads here. Raises HTTPBadRequest and HTTPForbidden.
        """
        from aiohttp import web

        if not is_own_name(request.host, is_local=self._served.is_local):
            raise web.HTTPBadRequest(text="This is not the name of this server.")
        origins = request.headers.getall("Origin", [])  # no browser sends two
        ours = (f"http://{request.host}", f"https://{request.host}")
        own = len(origins) < 2 and all(origin in ours for origin in origins)
        folder, _, rest = request.path.removeprefix("/").partition("/")
        in_path = rest.partition("/")[0] if folder in ("ws", "static") else ""
        given = in_path or request.query.get("key", "")
        if request.path == METRICS and not given:
            given = request.headers.get("Authorization", "").removeprefix(_BEARER)
        if not own or not _same(given, self.key):
            raise web.HTTPForbidden(
                text="The address needs the key that benchlog printed; open that one."
            )

    async def _page(self, request: "web.Request") -> "web.Response":
        from aiohttp import web

        headers = {
            "Content-Security-Policy": policy_of(request.host),
            "Referrer-Policy": "no-referrer",
            "X-Content-Type-Options": "nosniff",
            "Cache-Control": "no-store",
        }
        return web.Response(
            text=page_of(self.key), content_type="text/html", headers=headers
        )

    async def _metrics(self, request: "web.Request") -> "web.Response":
        """Answer a scrape, which has the key as everybody has it."""
        del request
        return await self._figures.answer()

    async def _link(self, request: "web.Request") -> "web.StreamResponse":
        from aiohttp import web

        socket = web.WebSocketResponse(
            heartbeat=15, max_msg_size=MAX_MESSAGE, compress=False
        )
        await socket.prepare(request)
        refused = self._why_no_page()
        if refused:
            await socket.close(code=TRY_LATER, message=refused.encode())
            return socket
        service = page_process(self._served.words, socket)
        self._open.add(service)
        try:
            await service.start(
                _cells(request, "width", 80), _cells(request, "height", 24)
            )
            await relay(socket, service)
        except OSError as error:
            reason = f"no page can be opened now: {error.strerror}"
            await socket.close(code=TRY_LATER, message=reason.encode())
        finally:
            self._open.discard(service)
            await end_page(service)
        return socket

    def _why_no_page(self) -> str:
        """Return why no page may be opened now; empty if one may, which is counted."""
        limits = self._served.limits
        while self._lately and self._lately[0].passed:
            self._lately.popleft()
        if len(self._open) >= limits.open_pages:
            return f"{len(self._open)} pages are open, as many as there may be"
        if len(self._lately) >= limits.openings:
            return "too many pages were opened just now; wait ten seconds"
        self._lately.append(host_deadline(limits.within_s))
        return ""


def _faults_of_ours() -> logging.Logger:
    """Return a logger that does not repeat what is wrong with strangers' requests.

    Nor what comes of connections that end within an answer: nothing of ours is in the
    tracebacks of either.
    """
    ours = str(Path(__file__).parents[2])

    def is_ours(record: logging.LogRecord) -> bool:
        if not record.exc_info or record.exc_info[2] is None:
            return True
        called = traceback.walk_tb(record.exc_info[2])
        return any(frame.f_code.co_filename.startswith(ours) for frame, _ in called)

    logger = logging.getLogger(__name__)
    logger.addFilter(is_ours)
    return logger


def _same(given: str, key: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "replace"), key.encode())


def _cells(request: "web.Request", name: str, usual: int) -> int:
    given = request.query.get(name, "")
    known = given.isdecimal() and len(given) < 6
    return fitting(int(given)) if known else usual
