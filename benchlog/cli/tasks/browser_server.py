"""Screens in a browser: one process for each page, a key in the address, no strays."""

import asyncio
import contextlib
import hmac
import ipaddress
import os
import secrets
import signal
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from benchlog.cli.printing import say
from benchlog.errors import MissingExtraError, UsageError

if TYPE_CHECKING:
    from aiohttp import web
    from textual_serve.app_service import AppService

Handler = Callable[..., Any]
_FAREWELL_S: Final = 3.0
_COOKIE: Final = "benchlog-key"


@dataclass(frozen=True, slots=True)
class ServedScreens:
    """What is shown in browsers, and where."""

    database: Path
    run: int
    host: str = "127.0.0.1"
    port: int = 8642

    @property
    def is_local(self) -> bool:
        """Whether only this computer can reach it."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def words(self) -> list[str]:
        """The command that shows the screen in one page."""
        words = [sys.executable, "-P", "-m", "benchlog.cli", "watch", str(self.run)]
        words += ["--db", str(self.database), "--in-browser"]
        return words if self.is_local else [*words, "--look-only"]


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

    key = secrets.token_urlsafe(16)
    pages = _Pages(served, key)
    runner = web.AppRunner(pages.application(), shutdown_timeout=1.0)
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
    _say_where(served, key, runner)
    try:
        await _until_told()
    finally:
        await pages.close()
        await runner.cleanup()


async def _until_told() -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        loop.add_signal_handler(number, stop.set)
    await stop.wait()


def _say_where(served: ServedScreens, key: str, runner: "web.AppRunner") -> None:
    port = runner.addresses[0][1]
    host = f"[{served.host}]" if ":" in served.host else served.host
    say(f"run {served.run} is shown at http://{host}:{port}/?key={key}")
    if served.is_local:
        said = (
            "Only this computer can reach it, and only with this address: whoever has "
            "it can also pause, note and stop."
        )
    else:
        said = (
            "Whoever can reach this computer and has this address can look on; it goes "
            "over the network unencrypted, so nothing can be changed from there. For "
            "more, leave --host out and use a tunnel."
        )
    say(f"{said} Ctrl-C ends the view; the run continues.")


class _Pages:
    """The pages: who may open one, and the process behind each."""

    def __init__(self, served: ServedScreens, key: str) -> None:
        self._served, self._key = served, key
        self._open: set[AppService] = set()

    def application(self) -> "web.Application":
        from aiohttp import web
        from textual_serve.server import Server

        @web.middleware
        async def let_in(request: web.Request, handler: Handler) -> web.StreamResponse:
            return await self._let_in(request, handler)

        server = Server("", self._served.host, self._served.port)
        application = web.Application(middlewares=[let_in])
        application.add_routes(
            [
                web.get("/", self._page),
                web.get("/ws", self._link),
                web.static("/static", server.statics_path),
            ]
        )
        return application

    async def close(self) -> None:
        """End every page's process."""
        for service in list(self._open):
            await _end(service)

    async def _let_in(
        self, request: "web.Request", handler: Handler
    ) -> "web.StreamResponse":
        """Let in who has the key; pages of other sites are kept out."""
        from aiohttp import web

        given = request.query.get("key") or request.cookies.get(_COOKIE, "")
        origin = request.headers.get("Origin")
        own = origin is None or origin.partition("://")[2] == request.host
        if not own or not hmac.compare_digest(given.encode(), self._key.encode()):
            raise web.HTTPForbidden(
                text="The address needs the key that benchlog printed; open that one."
            )
        response: web.StreamResponse = await handler(request)
        return response

    async def _page(self, _: "web.Request") -> "web.Response":
        from aiohttp import web

        headers = {
            "Content-Security-Policy": POLICY,
            "Referrer-Policy": "no-referrer",
            "Cache-Control": "no-store",
        }
        response = web.Response(text=PAGE, content_type="text/html", headers=headers)
        response.set_cookie(_COOKIE, self._key, httponly=True, samesite="Strict")
        return response

    async def _link(self, request: "web.Request") -> "web.StreamResponse":
        from aiohttp import web
        from textual_serve.download_manager import DownloadManager
        from textual_serve.server import Server

        socket = web.WebSocketResponse(heartbeat=15)
        await socket.prepare(request)
        service = _service_class()(
            self._served.words,
            write_bytes=socket.send_bytes,
            write_str=socket.send_str,
            close=socket.close,
            download_manager=DownloadManager(),
        )
        self._open.add(service)
        try:
            await service.start(
                _cells(request, "width", 80), _cells(request, "height", 24)
            )
            relay = Server("")
            await relay._process_messages(socket, service)
        finally:
            self._open.discard(service)
            await _end(service)
        return socket


def _cells(request: "web.Request", name: str, usual: int) -> int:
    given = request.query.get(name, "")
    return min(500, max(20, int(given))) if given.isdecimal() else usual


def _service_class() -> Any:
    """Return the service with a program that has no shell and its own group."""
    from textual_serve.app_service import AppService

    class PageService(AppService):
        """The process behind one page."""

        async def _open_app_process(self, width: int = 80, height: int = 24) -> Any:
            words: Any = self.command
            self._process = await asyncio.create_subprocess_exec(
                *words,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.PIPE,
                env=self._build_environment(width, height),
                start_new_session=True,
            )
            self._stdin = self._process.stdin
            return self._process

    return PageService


async def _end(service: "AppService") -> None:
    """Ask the process of a page to end; then end its whole group."""
    process = service._process
    with contextlib.suppress(TimeoutError, OSError, asyncio.CancelledError):
        await asyncio.wait_for(service.stop(), _FAREWELL_S)
    if process is None:
        return
    for number in (signal.SIGTERM, signal.SIGKILL):
        if process.returncode is not None:
            break
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, number)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(process.wait(), 1.0)


# --- the page that shows a screen in a browser; nothing on it comes from elsewhere

PAGE: Final = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>benchlog</title>
<link rel="stylesheet" href="/static/css/xterm.css">
<script src="/static/js/textual.js"></script>
<style>
html, body { margin: 0; height: 100%; background: #101418; color: #d8dee4;
  font-family: ui-monospace, monospace; overflow: hidden; }
.textual-terminal { width: 100vw; height: 100vh; }
.word { position: absolute; inset: 0; display: flex; align-items: center;
  justify-content: center; z-index: 10; background: #101418; }
body.-first-byte .starting, .ended { display: none; }
body.-closed .ended { display: flex; }
button { font: inherit; padding: 0.5em 1em; margin-left: 1em; }
</style>
</head>
<body>
<div class="word starting intro-dialog">
<div class="intro">opening the screen</div></div>
<div class="word ended closed-dialog"><div class="intro">the screen was left
<button type="button" id="start" onclick="location.reload()">open it again</button>
</div></div>
<div id="terminal" class="textual-terminal" data-font-size="16"></div>
<script>
document.getElementById("terminal").dataset.sessionWebsocketUrl =
  (location.protocol === "https:" ? "wss://" : "ws://") + location.host + "/ws";
</script>
</body>
</html>
"""
POLICY: Final = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'wasm-unsafe-eval'; "
    "style-src 'self' 'unsafe-inline'; connect-src 'self' ws: wss:; "
    "img-src 'self' data: blob:; font-src 'self' data:; frame-ancestors 'none'"
)
"""What the browser may load for the page: only from here."""
