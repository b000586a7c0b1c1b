"""The page that shows a screen in a browser; nothing on it comes from elsewhere."""

from typing import Final

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
