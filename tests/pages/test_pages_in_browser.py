"""Pages in headless Chromium: nothing is requested, nothing runs, widths, paper."""

import io
import unicodedata

import pypdf
import pytest
from pages.browser import CHROMIUM, laid_out, requested
from pages.page_making import HOSTILE, NOTE, fresh, series, write_run

from benchlog.clock import VirtualClock
from benchlog.evaluation.comparison import comparison
from benchlog.model import Purpose
from benchlog.pages.page_builder import compare_page, run_page, write_page
from benchlog.store.reader import Reader

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")
SIZES_MM = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}
WIDTHS = (390, 700, 900, 1280)
DARK = "--blink-settings=preferredColorScheme=0"


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("browser")
    with fresh(folder) as writer:
        readings = series(400, swing_c=6.0, gap_at=(150,))
        run = write_run(
            writer, readings, device=HOSTILE, note=NOTE, purpose=Purpose.SOAK
        )
    with Reader.open(folder / "pages.db") as reader:
        found = run_page(reader, [reader.run(run)], VirtualClock())
    write_page(found, folder / "page.html", "A4", overwrite=False)
    return folder / "page.html"


@pytest.mark.campaign  # every suite looks at it on its way to the printer, below
def test_nothing_is_requested_and_nothing_runs(page):
    dom, urls = requested(page)
    assert "<title>KX&lt;script&gt;" in dom, "the title is as it was written"
    assert not urls


@pytest.mark.campaign  # of the check above, not of a page
@pytest.mark.parametrize("how", ["--dump-dom", "--print-to-pdf"])
def test_a_request_would_have_been_seen(page, how):
    other = page.with_name("other.html")
    other.write_text('<img src="http://127.0.0.1:9/seen.png">')
    out = f"={other.with_suffix('.pdf')}" if how == "--print-to-pdf" else ""
    assert requested(other, how + out)[1] == {"http://127.0.0.1:9/seen.png"}


@pytest.fixture(scope="module")
def layouts(page):
    widths = (390, 500, 1280)
    return dict(zip(widths, laid_out(page, *widths), strict=True))


@pytest.mark.parametrize("width", [390, 1280])
def test_pages_fit_a_phone_and_a_desk(layouts, width):
    found = layouts[width]
    assert found["wide"] == width, "nothing sticks out"
    assert found["pictures"] == 5, "each picture once"
    assert found["widest"] <= width
    for fault in ("low", "cut", "crossed"):
        assert found[fault] == [], fault


@pytest.fixture(scope="module")
def comparison_page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("compared")
    with fresh(folder) as writer:
        devices = ("KX-0417-A", "KX-0418-B", HOSTILE)
        for seed, device in enumerate(devices):
            write_run(writer, series(120, seed=seed, swing_c=3.0), device=device)
    with Reader.open(folder / "pages.db") as reader:
        found = comparison(reader, [reader.run(run) for run in (1, 2, 3)])
    out = folder / "compared.html"
    write_page(compare_page(found, VirtualClock()), out, "A4", overwrite=False)
    return out


@pytest.fixture(scope="module")
def comparison_layouts(comparison_page):
    return dict(zip(WIDTHS, laid_out(comparison_page, *WIDTHS), strict=True))


@pytest.mark.campaign  # the tables of a run's page scroll as these do
@pytest.mark.parametrize("width", WIDTHS)
def test_a_comparison_fits_and_what_is_wider_can_be_scrolled(comparison_layouts, width):
    found = comparison_layouts[width]
    assert found["wide"] == width, "nothing sticks out"
    assert {how for _, how in found["scrolled"]} <= {"auto"}
    if width >= 900:
        assert found["scrolled"] == [], "ten columns fit half a desk"
    else:
        assert "The runs" in dict(found["scrolled"]), "else nothing is proved here"


@pytest.mark.campaign  # of the checks above, not of a page
def test_what_is_wrong_with_a_picture_would_have_been_seen(page):
    other = page.with_name("bad.html")
    texts = "".join(
        f'<text x="{x}" y="50" font-size="{size}">{said}</text>'
        for x, size, said in ((5, 20, "first"), (9, 20, "second"), (95, 20, "beyond"))
    )
    small = '<text x="1" y="90" font-size="4">small</text>'
    svg = '<svg viewBox="0 0 100 100" width="100" style="overflow:visible">'
    other.write_text(f"{svg}{texts}{small}</svg>")
    (found,) = laid_out(other, 390)
    assert found["crossed"] == [["first", "second"]]
    assert found["cut"] == ["beyond"]
    assert [said for said, *_ in found["low"]] == ["small"]


@pytest.mark.campaign  # the rule itself: test_contrast.py
def test_dark_where_a_person_wants_it(page, layouts):
    light, (dark,) = layouts[500], laid_out(page, 500, options=[DARK])
    assert light["paper"] == "rgb(255, 255, 255)"
    assert dark["ink"] == "rgb(230, 235, 240)" and dark["paper"] == "rgb(18, 24, 30)"


@pytest.mark.parametrize(
    "paper", ["A4", pytest.param("letter", marks=pytest.mark.campaign)]
)
def test_it_prints_as_pages_and_asks_for_nothing(page, paper):
    sheet = page.with_name(f"{paper}.html")
    html = page.read_text()
    assert "@page { margin" in html
    sheet.write_text(html.replace("@page { margin", f"@page {{ size: {paper}; margin"))
    out = sheet.with_suffix(".pdf")
    _, urls = requested(sheet, f"--print-to-pdf={out}", "--no-pdf-header-footer")
    assert not urls
    printed = pypdf.PdfReader(io.BytesIO(out.read_bytes()))
    title = printed.metadata.title
    assert title.startswith("KX<script>"), "no script of it ran"
    box = printed.pages[0].mediabox
    size = tuple(float(side) * 25.4 / 72 for side in (box.width, box.height))
    assert size == pytest.approx(SIZES_MM[paper], abs=0.5)
    assert 3 <= len(printed.pages) <= 10
    cautions = " ".join(page.extract_text() for page in printed.pages[-2:])
    text = unicodedata.normalize("NFKC", cautions)  # the browser joins f and i
    assert "not a calibration certificate" in " ".join(text.split())
