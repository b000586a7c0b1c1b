"""`report` with a customer's order and a logo, from the command to the file."""

import base64
import io

import pypdf
import pytest
from click.testing import CliRunner
from pages.page_making import fresh, parsed, words, write_run
from pages.test_logo import png

from benchlog.cli import root


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    folder = tmp_path_factory.mktemp("head")
    with fresh(folder) as writer:
        write_run(writer, (), operator="A. Invented")  # no reading: head and foot alone
    (folder / "logo.png").write_bytes(png())

    def made(name, *more):
        out = folder / name
        asked = ["report", "1", *more, "--out", str(out)]
        done = CliRunner().invoke(root, [*asked, "--db", str(folder / "pages.db")])
        assert done.exit_code == 0, done.output
        return out.read_bytes()

    return made, ("--order", "PO-<8812>", "--logo", str(folder / "logo.png"))


def test_a_page_has_order_logo_and_lines_to_sign(report):
    made, asked = report
    tree = parsed(made("with.html", *asked).decode())
    (logo,) = (one for one in tree.iter("img") if one.get("class") == "logo")
    _, data = logo.get("src").split("base64,")
    assert base64.b64decode(data) == png()
    said = words(tree)
    assert "PO-<8812>" in said
    at = said.rindex("Signatures")
    assert "Measured by" in said[at:] and "A. Invented" in said[at:]
    assert "Checked by" in said[at:]


def test_a_page_without_them_has_neither(report):
    made, _ = report
    tree = parsed(made("bare.html").decode())
    assert not [one for one in tree.iter("img") if one.get("class") == "logo"]
    assert not [one for one in tree.iter() if one.get("class") == "order"]


def test_a_pdf_has_them_too(report):
    made, asked = report
    paper = pypdf.PdfReader(io.BytesIO(made("with.pdf", *asked)))
    text = " ".join(" ".join(p.extract_text() for p in paper.pages).split())
    assert "Order PO-<8812>" in text
    assert "Measured by: A. Invented" in text and "Checked by" in text
    assert len(paper.pages[0].images) == 1, "the logo: charts are drawn as lines"
