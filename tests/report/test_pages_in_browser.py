"""Pages in headless Chromium: nothing is requested, nothing runs, widths, paper."""

import io
import json
import shutil
import subprocess
import unicodedata

import pypdf
import pytest
from report.page_making import HOSTILE, NOTE, fresh, series, write_run

from benchlog.clock import VirtualClock
from benchlog.report.pages.making import run_page, write_page
from benchlog.store.reader import Reader

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here"),
]
_OWN = "not an origin"
WIDTHS = {"desktop": (1200, 900), "phone": (500, 900)}


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("browser")
    with fresh(folder) as writer:
        readings = series(400, swing_c=6.0, gap_at=(150,))
        run = write_run(writer, readings, device=HOSTILE, note=NOTE)
    with Reader.open(folder / "pages.db") as reader:
        found = run_page(reader, [reader.run(run)], VirtualClock())
    write_page(found, folder / "page.html", "A4", overwrite=False)
    return folder / "page.html"


def chromium(page, *options):
    done = subprocess.run(
        [
            CHROMIUM,
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-background-networking",
            "--disable-component-update",
            "--no-first-run",
            "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
            f"--user-data-dir={page.parent / 'profile'}",
            *options,
            page.as_uri(),
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def requested(page):
    """Return what a page asked for; what the browser asks for itself has no origin."""
    log = page.with_suffix(".net.json")
    dom = chromium(page, f"--log-net-log={log}", "--dump-dom")
    events = json.loads(log.read_text())["events"]
    asked = [event.get("params", {}) for event in events]
    urls = {
        one["url"]
        for one in asked
        if "url" in one and one.get("initiator", _OWN) != _OWN
    }
    return dom, {url for url in urls if url.startswith(("http", "ws"))}


def test_nothing_is_requested_and_nothing_runs(page):
    dom, urls = requested(page)
    assert "<title>KX&lt;script&gt;" in dom, "the title is as it was written"
    assert not urls


def test_a_request_would_have_been_seen(page):
    other = page.with_name("other.html")
    other.write_text('<img src="http://127.0.0.1:9/seen.png">')
    assert requested(other)[1] == {"http://127.0.0.1:9/seen.png"}


@pytest.mark.parametrize("name", WIDTHS)
def test_pages_are_drawn_at_each_width(page, name):
    width, height = WIDTHS[name]
    shot = page.parent / f"{name}.png"
    chromium(page, f"--screenshot={shot}", f"--window-size={width},{height}")
    data = shot.read_bytes()
    assert data.startswith(b"\x89PNG") and len(data) > 20_000


def test_it_prints_as_pages(page):
    out = page.parent / "printed.pdf"
    chromium(page, f"--print-to-pdf={out}", "--no-pdf-header-footer")
    printed = pypdf.PdfReader(io.BytesIO(out.read_bytes()))
    assert 3 <= len(printed.pages) <= 12
    text = " ".join(page.extract_text() for page in printed.pages)
    text = unicodedata.normalize("NFKC", text)  # the browser joins f and i
    assert "not a calibration certificate" in " ".join(text.split())
