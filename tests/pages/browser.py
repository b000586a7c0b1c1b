"""Pages in headless Chromium: what they ask for, and how they are laid out."""

import json
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
_OWN = "not an origin"
_FRAME = '<iframe src="%s" style="border:0;width:%dpx;height:4000px"></iframe>'
_WRAPPER = """<!doctype html><meta charset="utf-8"><body style="margin:0">
%(frames)s
<pre id="found"></pre><script>
const found = page => {
  const seen = [...page.querySelectorAll("svg")].filter(s => s.getClientRects().length);
  const boxes = svg => [...svg.querySelectorAll("text")]
    .filter(t => t.textContent.trim())
    .map(t => [t.textContent, t.getBoundingClientRect()]);
  const low = [], cut = [], crossed = [];
  for (const svg of seen) {
    const frame = svg.getBoundingClientRect(), texts = boxes(svg);
    for (const [said, b] of texts) {
      if (Math.min(b.width, b.height) < 7) low.push([said, b.width, b.height]);
      if (b.left < frame.left - 1 || b.right > frame.right + 1) cut.push(said);
    }
    texts.forEach(([said, a], i) => texts.slice(i + 1).forEach(([other, b]) => {
      const w = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const h = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (w > 2 && h > 4) crossed.push([said, other]);
    }));
  }
  const style = page.defaultView.getComputedStyle(page.body);
  return {
    wide: page.documentElement.scrollWidth, pictures: seen.length, low, cut, crossed,
    scrolled: [...page.querySelectorAll(".scroll")]
      .filter(s => s.scrollWidth > s.clientWidth + 1)
      .map(s => [s.getAttribute("aria-label"),
        page.defaultView.getComputedStyle(s).overflowX]),
    widest: Math.max(0, ...seen.map(s => s.getBoundingClientRect().width)),
    ink: style.color, paper: style.backgroundColor };
};
onload = () => {
  document.getElementById("found").textContent = JSON.stringify(
    [...document.querySelectorAll("iframe")].map(one => found(one.contentDocument)));
};
</script>"""


def chromium(page: Path, *options: str) -> str:
    """Run it on a page; return what it printed."""
    assert CHROMIUM is not None
    done = subprocess.run(
        [
            CHROMIUM,
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-background-networking",
            "--disable-component-update",
            "--no-first-run",
            "--hide-scrollbars",
            "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
            f"--user-data-dir={page.parent / 'profile'}",
            *options,
            page.as_uri(),
        ],
        capture_output=True,
        text=True,
        timeout=180,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def requested(page: Path, *options: str) -> tuple[str, set[str]]:
    """Return what a page became, and what it asked for; `options` may print it instead.

    What the browser asks for itself has no origin.
    """
    log = page.with_suffix(".net.json")
    dom = chromium(page, f"--log-net-log={log}", *(options or ("--dump-dom",)))
    events = json.loads(log.read_text())["events"]
    asked = [event.get("params", {}) for event in events]
    urls = {
        one["url"]
        for one in asked
        if "url" in one and one.get("initiator", _OWN) != _OWN
    }
    return dom, {url for url in urls if url.startswith(("http", "ws"))}


def laid_out(page: Path, *widths: int, options: Sequence[str] = ()) -> list[Any]:
    """Return how a page is laid out in windows of so many px; one browser shows all.

    `low` are words of pictures lower than 7 px, `cut` those beyond their picture,
    `crossed` pairs that lie on each other; `scrolled` are tables that are wider than
    their room, and what can be done about it.
    """
    wrapper = page.with_name(f"{page.stem}-{widths[0]}.html")
    frames = "".join(_FRAME % (page.name, width) for width in widths)
    wrapper.write_text(_WRAPPER.replace("%(frames)s", frames))
    dom = chromium(
        wrapper,
        "--allow-file-access-from-files",
        f"--window-size={max(*widths, 500)},4000",
        "--dump-dom",
        *options,
    )
    found = dom.partition('<pre id="found">')[2].partition("</pre>")[0]
    plain = found.replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
    return json.loads(plain)
