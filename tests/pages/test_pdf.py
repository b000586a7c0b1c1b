"""Pages as PDF: searchable text, paper sizes, pictures with words, any letters."""

import io
import logging
from dataclasses import replace

import numpy as np
import pypdf
import pytest
from fpdf import FPDF
from pages.page_making import fresh, series, undrawn, write_run
from tiers import seldom

from benchlog.clock import VirtualClock
from benchlog.pages.content import Facts, Page, Section, Signatures, table
from benchlog.pages.page_builder import run_page
from benchlog.pages.pdf import pdf_of
from benchlog.pages.svg import paper_svg
from benchlog.plotting.pictures import draw, new_figure
from benchlog.store.reader import Reader

SIZES_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    """A device with letters that no face has, and a name that fpdf2 would fill in."""
    folder = tmp_path_factory.mktemp("pdf")
    with fresh(folder) as writer:
        note = f"a note\x07 </b> {'{nb} ' * 200}"
        run = write_run(writer, series(60), device="KX-{nb}-漢0412 Ωμ✓", note=note)
    with Reader.open(folder / "pages.db") as reader:
        yield run_page(reader, [reader.run(run)], VirtualClock())


@pytest.fixture(scope="module")
def sheets(page):
    return {"A4": pdf_of(page, "A4")}


def mm_of(reader):
    box = reader.pages[0].mediabox
    return tuple(float(side) * 25.4 / 72 for side in (box.width, box.height))


def test_a_sheet_of_letter_paper(page):
    little = replace(page, sections=page.sections[-1:])
    reader = pypdf.PdfReader(io.BytesIO(pdf_of(little, "Letter")))
    assert mm_of(reader) == pytest.approx(SIZES_MM["Letter"], abs=0.2)
    assert f"page 1 of {len(reader.pages)}" in reader.pages[0].extract_text()


@pytest.mark.parametrize("paper", ["A4", seldom("Letter")])
def test_text_and_paper(page, sheets, paper):
    octets = sheets.get(paper) or pdf_of(undrawn(page), paper)
    reader = pypdf.PdfReader(io.BytesIO(octets))
    assert mm_of(reader) == pytest.approx(SIZES_MM[paper], abs=0.2)
    text = " ".join(" ".join(p.extract_text() for p in reader.pages).split())
    for said in (
        "KX-{nb}-U+6F220412 Ωμ✓",
        "PASS, conformance probability",
        "Uncertainty budget of the offset",
        "a note\\x07 </b>",
        "M,<b>Counter</b>,17,1.0",
        "not a calibration certificate",
        f"page 1 of {len(reader.pages)}",
    ):
        assert said in text, said
    assert reader.metadata.title == page.title
    titles = [one.title for one in reader.outline]
    assert titles[0] == "Verdict" and titles[-1] == "Signatures"


def test_pictures_carry_words(sheets):
    logging.getLogger("pypdf").setLevel(logging.ERROR)
    reader = pypdf.PdfReader(io.BytesIO(sheets["A4"]))
    root = reader.trailer["/Root"]
    assert root["/Lang"] == "en"
    words = []

    def walk(node):
        node = node.get_object()
        if isinstance(node, list):
            for one in node:
                walk(one)
        elif isinstance(node, dict):
            if "/Alt" in node:
                words.append(str(node["/Alt"]))
            if "/K" in node:
                walk(node["/K"])

    walk(root["/StructTreeRoot"])
    assert any("readings between" in one for one in words), words


def test_letters_and_markers_are_drawn_as_where_they_are_named():
    """Each line and area is where the picture that names them has it, and as it is."""
    figure, (above, below) = new_figure(2)
    above.plot([1, 2, 3], [1.0, 1.5, 0.2], "o-", label="KX-0412")
    above.scatter([1.5, 2.5], [1.0, 0.4], marker="s")
    below.plot(range(40), "+")
    below.set_ylabel("offset, ppm")  # turned by 90 degrees
    above.legend()
    named = io.BytesIO()
    outlines = {"svg.fonttype": "path"}
    draw(figure, named, outlines, "svg", transparent=True, metadata={"Date": None})
    assert named.getvalue().count(b"<use") > 80
    there = paper_svg(figure)
    assert b"use" not in there
    drawn, wanted = painted(there), painted(named.getvalue())
    assert len(drawn) == len(wanted) > 150
    for (how, points), (wanted_how, wanted_points) in zip(drawn, wanted, strict=True):
        assert how == wanted_how
        assert points == pytest.approx(wanted_points, abs=0.01)  # points of 1/72 inch


LOOKS = ("rg", "RG", "g", "G", "w", "d", "J", "j", "gs", "M")
"""What sets colours and lines. Source: ISO 32000-1, 8.4.4 and 8.6.8."""
PAINTED = ("f", "f*", "B", "B*", "S", "s", "b", "b*", "n")
PLACED = ("m", "l", "c", "v", "y", "re", "h", "W", "W*")
"""What makes paths, and what paints them. Source: ISO 32000-1, 8.5."""


def painted(svg: bytes) -> list[tuple[object, list[float]]]:
    """Return of each path on a sheet how it is painted, and its points on the sheet."""
    logging.getLogger("fpdf.svg").setLevel(logging.ERROR)  # of metadata, not drawn
    pdf = FPDF()
    pdf.add_page()
    pdf.image(io.BytesIO(svg), w=150)
    reader = pypdf.PdfReader(io.BytesIO(pdf.output()))
    found, saved, look, place = [], [], {}, np.eye(3)
    path, points = [], []
    for operands, sign in reader.pages[0].get_contents().operations:
        name = sign.decode()
        if name == "q":
            saved.append((place, dict(look)))
        elif name == "Q":
            place, look = saved.pop()
        elif name == "cm":
            a, b, c, d, e, f = map(float, operands)
            place = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ place
        elif name in LOOKS:
            look[name] = tuple(map(str, operands))
        elif name in PLACED:
            path.append(name)
            at = np.array(operands, dtype=float).reshape(-1, 2)
            homogeneous = np.column_stack([at, np.ones(len(at))])
            points += (homogeneous @ place)[:, :2].ravel().tolist()
        elif name in PAINTED:
            width = abs(np.linalg.det(place[:2, :2])) ** 0.5
            how = (name, tuple(path), sorted(look.items()), round(width, 6))
            found.append((how, points))
            path, points = [], []
    return found


def test_nothing_in_it_leads_outside(sheets):
    for word in (b"/URI", b"/JavaScript", b"/Launch", b"/EmbeddedFile"):
        assert word not in sheets["A4"]


LONG = {"word": "x" * 4000, "words": "words " * 800, "letters": "漢" * 4000}


@pytest.mark.parametrize(
    ("text", "paper"),
    [
        (LONG["word"], "A4"),
        # cut between words; the same breaks on another sheet; a text six times as long
        seldom(LONG["words"], "A4"),
        pytest.param(LONG["word"], "Letter", marks=pytest.mark.campaign),
        pytest.param(LONG["letters"], "A4", marks=pytest.mark.campaign),
    ],
    ids=["word", "words", "word-Letter", "letters"],
)
def test_a_text_of_4000_characters_is_there_whole(text, paper):
    """As a mark in a column, as an id beside its label, as a title, as a signature."""
    heads = ("UTC", "Event", "Instrument", "What")
    rows = (("2026", "mark", "-", text), ("2027", "note", "counter", "after it"))
    page = Page(
        title=f"{text}: measure, run 1",
        subtitle=text,
        made="2026",
        software="1",
        sections=(
            Section("Hook-up", (Facts((("Device", text), ("Run", "1"))),)),
            Section(text, (table("Events", heads, rows, "llll"),)),
            Section("Signatures", (Signatures((("Measured by", text),)),)),
        ),
    )
    reader = pypdf.PdfReader(io.BytesIO(pdf_of(page, paper)))
    sheets = ["".join(one.extract_text().split()) for one in reader.pages]
    written = "".join("U+6F22" if ch == "漢" else ch for ch in "".join(text.split()))
    whole = "".join(sheets)
    piece, most = written[:1], written.count(written[:1])
    assert 2 * most < whole.count(piece) < 2.3 * most + 20  # headings are short
    assert "(4,000characters)" in whole or "(4,800characters)" in whole
    assert len(sheets) < 8 * len(written) / 4000 + 2
    for said in ("afterit", "Signature", "Run1"):
        assert said in whole
    assert len(reader.metadata.title) < 200
    assert all(len(one.title) < 1_200 for one in reader.outline)


def test_nothing_of_a_long_text_lies_beside_the_sheet():
    page = Page(
        title="W" * 4000, subtitle="", made="", software="",
        sections=(
            Section("S", (Signatures((("Measured by", "W" * 4000),)),)),
            Section("F", (Facts((("Device", "W" * 4000),)),)),
        ),
    )  # fmt: skip
    widest = []

    def seen(text, _cm, matrix, _font, _size):
        if "W" in text:
            widest.append(float(matrix[4]))

    reader = pypdf.PdfReader(io.BytesIO(pdf_of(page, "A4")))
    for sheet in reader.pages:
        sheet.extract_text(visitor_text=seen)
    assert widest and max(widest) < 210.0 / 25.4 * 72


def test_a_device_called_as_the_number_of_sheets_keeps_its_name(sheets):
    """fpdf2 fills that number in wherever `{nb}` stands: KX-{nb} became KX-5."""
    found = pypdf.PdfReader(io.BytesIO(sheets["A4"]))
    texts = [sheet.extract_text() for sheet in found.pages]
    assert texts[0].startswith("KX-{nb}-U+6F22")
    assert sum(text.count("{nb}") for text in texts) >= 200
    numbers = range(1, len(texts) + 1)
    for number, text in zip(numbers, texts, strict=True):
        assert f"page {number} of {len(texts)}" in text
