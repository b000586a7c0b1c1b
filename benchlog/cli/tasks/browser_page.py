"""One page in a browser: its process, what it may send, and the HTML that shows it."""

import asyncio
import contextlib
import json
import os
import signal
from typing import TYPE_CHECKING, Any, Final

from benchlog.cli.tasks.page_guests import SendingAllowance

if TYPE_CHECKING:
    from aiohttp import web
    from textual_serve.app_service import AppService

MAX_MESSAGE: Final = 65_536
"""Bytes of a message from a page; our rule: more than anybody pastes into a line."""
_FAREWELL_S: Final = 3.0
_CELLS: Final = (20, 500)
MALFORMED: Final = 1008
"""RFC 6455, section 7.4.1: a message that violates the policy of who receives it."""
TRY_LATER: Final = 1013
"""Close code "Try Again Later" of IANA's registry of WebSocket close codes."""


class MalformedMessageError(ValueError):
    """A page sent what the script of a page never sends."""


def read_message(text: str) -> tuple[str, Any]:
    """Return what a page asks for, and with what.

    That is `stdin` with text as UTF-8 octets, `resize` with width and height in cells
    (held to what a screen can be), `ping` with a text, `focus` or `blur`. Raises
    MalformedMessageError for everything else.
    """
    try:
        told = json.loads(text)
        match told:
            case ["stdin", str(typed)]:
                return "stdin", typed.encode()
            case ["resize", {"width": int(width), "height": int(height)}]:
                if bool not in (type(width), type(height)):
                    return "resize", (fitting(width), fitting(height))
            case ["ping", str(said)] if len(said) <= 40:
                return "ping", said
            case ["focus" | "blur" as what]:
                return what, None
    except (ValueError, RecursionError) as error:
        raise MalformedMessageError("no JSON of a page") from error
    raise MalformedMessageError("no message of a page")


def fitting(cells: int) -> int:
    """Return a width or height as far as a screen can have it."""
    low, high = _CELLS
    return min(high, max(low, cells))


async def relay(socket: "web.WebSocketResponse", service: "AppService") -> None:
    """Hand on what a page sends until it closes.

    A malformed message closes it, and so does more than a page ever sends: what waited
    would keep its process alive after whoever sent it had gone.
    """
    from aiohttp import WSMsgType

    allowance = SendingAllowance()
    async for message in socket:
        if message.type != WSMsgType.TEXT:
            await socket.close(code=MALFORMED)
            return
        try:
            what, value = read_message(message.data)
        except MalformedMessageError:
            await socket.close(code=MALFORMED)
            return
        if not allowance.spend(len(message.data)):
            await socket.close(code=MALFORMED, message=b"the page sent too much")
            return
        await _hand_on(socket, service, what, value)


async def _hand_on(
    socket: "web.WebSocketResponse", service: "AppService", what: str, value: Any
) -> None:
    match what:
        case "stdin":
            await service.send_bytes(value)
        case "resize":
            await service.set_terminal_size(*value)
        case "ping":
            await socket.send_json(["pong", value])
        case "focus":
            await service.focus()
        case "blur":
            await service.blur()


def page_process(words: list[str], socket: "web.WebSocketResponse") -> "AppService":
    """Return the process behind a page, not started yet.

    It has no shell, and a process group of its own.
    """
    from textual_serve.app_service import AppService
    from textual_serve.download_manager import DownloadManager

    stopping = asyncio.Lock()

    class PageService(AppService):
        """The process behind one page."""

        async def stop(self) -> None:
            """Stop it once, where its page and its server end at the same moment.

            The library forgets the task that the other one still waits for.
            """
            async with stopping:
                await super().stop()

        async def _open_app_process(self, width: int = 80, height: int = 24) -> Any:
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

    async def close() -> None:
        await socket.close()

    return PageService(
        "",
        write_bytes=socket.send_bytes,
        write_str=socket.send_str,
        close=close,
        download_manager=DownloadManager(),
    )


async def end_page(service: "AppService") -> None:
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


def page_of(key: str) -> str:
    """Return the page; all it asks for has the key in its address."""
    return PAGE.replace("KEY", key)


def policy_of(host: str) -> str:
    """Return what the browser may load for the page: only from this host and port."""
    return POLICY.replace("HOST", host)


PAGE: Final = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>benchlog</title>
<link rel="icon" href="data:,">
<link rel="stylesheet" href="/static/KEY/css/xterm.css">
<script>
window.WebSocket = class extends WebSocket {
  constructor(address) {
    super(address);
    this.addEventListener("close", (end) => {
      if (end.reason) document.getElementById("why").textContent = end.reason;
    });
  }
};
</script>
<script src="/static/KEY/js/textual.js"></script>
<style>
html, body { margin: 0; height: 100%; background: #101418; color: #d8dee4;
  font-family: ui-monospace, monospace; overflow: hidden; }
.textual-terminal { width: 100vw; height: 100vh; }
.word { position: absolute; inset: 0; display: flex; align-items: center;
  justify-content: center; z-index: 10; background: #101418; }
body.-first-byte .starting, body.-closed .starting, .ended { display: none; }
body.-closed .ended { display: flex; }
button { font: inherit; padding: 0.5em 1em; margin-left: 1em; }
</style>
</head>
<body>
<div class="word starting intro-dialog">
<div class="intro">opening the screen</div></div>
<div class="word ended closed-dialog"><div class="intro">
<span id="why">the screen was left</span>
<button type="button" id="start" onclick="location.reload()">open it again</button>
</div></div>
<div id="terminal" class="textual-terminal" data-font-size="16"></div>
<script>
document.getElementById("terminal").dataset.sessionWebsocketUrl =
  (location.protocol === "https:" ? "wss://" : "ws://") + location.host + "/ws/KEY";
</script>
</body>
</html>
"""
POLICY: Final = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'wasm-unsafe-eval'; "
    "style-src 'self' 'unsafe-inline'; connect-src 'self' ws://HOST wss://HOST; "
    "img-src 'self' data: blob:; font-src 'self' data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
