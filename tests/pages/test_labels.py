"""`report --label`: what is on it, and that another maker's decoder reads its code.

The decoder is zxing-cpp; what it is given is drawn from the file that was written.
"""

import re
import shutil
from xml.etree import ElementTree as ET

import numpy as np
import pypdf
import pytest
import zxingcpp
from click.testing import CliRunner
from pages.page_making import HOSTILE, fresh, series, write_run

from benchlog.cli import root
from benchlog.pages.label.drawing import HEIGHT_MM, WIDTH_MM
from benchlog.store.reader import Reader

DOTS = 12  # a millimetre: a printer of 300 dpi
NUMBER = r"(-?\d+(?:\.\d+)?)"
PATTERN = "https://records.example/run/{run_uid}?from=label"


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("labels")
    with fresh(folder) as writer:
        write_run(writer, series(20))
        write_run(writer, series(20), device=HOSTILE)
        write_run(writer, ())
    return folder / "pages.db"


@pytest.fixture
def bench(runs, tmp_path):
    shutil.copy(runs, tmp_path)
    return tmp_path


def told(bench, *words, code=0):
    done = CliRunner().invoke(
        root, [*words, "--db", str(bench / "pages.db")], env={"COLUMNS": "200"}
    )
    assert done.exit_code == code, done.output
    return done


def made(bench, name, *more, run="1"):
    out = bench / name
    told(bench, "report", run, "--label", *more, "--out", str(out))
    return out


def uid(bench, run=1):
    with Reader.open(bench / "pages.db") as reader:
        return reader.run(run).uid


def read_back(rectangles):
    """Decode black rectangles, (left, top, width, height) in mm, on a white label."""
    picture = np.full((int(HEIGHT_MM * DOTS), int(WIDTH_MM * DOTS)), 255, np.uint8)
    for x, y, w, h in rectangles:
        top, left = round(y * DOTS), round(x * DOTS)
        picture[top : round((y + h) * DOTS), left : round((x + w) * DOTS)] = 0
    (code,) = zxingcpp.read_barcodes(picture)
    return code.text


def of_svg(path):
    tree = ET.fromstring(path.read_text("utf-8"))
    code = next(one for one in tree.iter() if "shape-rendering" in one.attrib)
    form = rf"M{NUMBER} {NUMBER}h{NUMBER}v{NUMBER}h-{NUMBER}z"
    return [tuple(map(float, one[:4])) for one in re.findall(form, code.get("d"))]


def of_pdf(path):
    page = pypdf.PdfReader(path).pages[0]
    assert [round(float(one) * 25.4 / 72, 1) for one in page.mediabox[2:]] == [60, 30]
    form = rf"{NUMBER} {NUMBER} {NUMBER} {NUMBER} re f"
    found = re.findall(form, page.get_contents().get_data().decode("latin-1"))
    mm = [[float(one) * 25.4 / 72 for one in four] for four in found]
    return [(x, HEIGHT_MM - y - max(h, 0), w, abs(h)) for x, y, w, h in mm]


def test_both_files_carry_the_uuid_as_a_urn(bench):
    wanted = f"URN:UUID:{uid(bench).upper()}"
    assert read_back(of_svg(made(bench, "a.svg"))) == wanted
    assert read_back(of_pdf(made(bench, "a.pdf"))) == wanted


def test_the_code_holds_the_address_of_the_pattern(bench):
    path = made(bench, "a.svg", "--label-url", PATTERN)
    assert read_back(of_svg(path)) == PATTERN.replace("{run_uid}", uid(bench))


def test_what_the_scanner_reads_is_taken_in_place_of_a_run(bench):
    coded = read_back(of_svg(made(bench, "a.svg", "--label-url", PATTERN)))
    shown = told(bench, "show", coded)
    assert "KX-0412, run 1" in shown.stdout
    assert told(bench, "show", uid(bench).upper()).stdout == shown.stdout
    unknown = coded.replace(uid(bench)[:8], "01234567")
    refused = told(bench, "show", unknown, code=2)
    assert "there is no run" in refused.stderr and "Traceback" not in refused.stderr


def test_a_person_reads_device_verdict_figures_and_date(bench):
    text = pypdf.PdfReader(made(bench, "a.pdf")).pages[0].extract_text()
    for said in ("KX-0412", "✓ PASS", "ppm", "2030-03-17", "run 1", uid(bench)):
        assert said in text


def test_a_hostile_id_stays_text_inside_the_label(bench):
    path = made(bench, "h.svg", run="2")
    tree = ET.fromstring(path.read_text("utf-8"))
    kinds = {one.tag.rpartition("}")[2] for one in tree.iter()}
    assert kinds == {"svg", "title", "rect", "path"}
    assert HOSTILE in next(one.text for one in tree if one.tag.endswith("title"))
    numbers = [
        float(x)
        for one in tree.iter()
        if "shape-rendering" not in one.attrib
        for x in re.findall(rf"[MLQ]{NUMBER} ", one.get("d", ""))
    ]
    assert min(numbers) > 0 and max(numbers) < WIDTH_MM


def test_a_void_run_has_no_verdict_on_its_label(bench):
    told(bench, "void", "1", "--reason", "probe fell off")
    text = pypdf.PdfReader(made(bench, "v.pdf")).pages[0].extract_text()
    assert "DOES NOT COUNT" in text and "PASS" not in text


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--label-url", "ftp://x/{run_uid}"), "makes no address"),
        (("--label-url", "https://x/run"), "makes no address"),
        (("--label-url", "https://x/{run_uid}/{run_uid}"), "makes no address"),
        (("--label-url", "https://x/" + "y" * 200 + "{run_uid}"), "200 characters"),
        (("--lot", "B2207"), "a label is of one run"),
        (("2",), "a label is of one run"),
    ],
)
def test_what_makes_no_label_is_told(bench, words, said):
    out = bench / "no.svg"
    asked = ("report", "1", "--label", *words, "--out", str(out))
    assert said in told(bench, *asked, code=2).stderr
    assert not out.exists()


def test_the_sentence_about_an_address_tells_how_to_write_it(bench):
    """Addresses in messages are masked: no example of one would be left in it."""
    asked = ("report", "1", "--label", "--label-url", "https://x/run")
    said = told(bench, *asked, "--out", str(bench / "no.svg"), code=2).stderr
    assert "write {run_uid} once" in said and "begin it with https://" in said


def test_an_address_for_a_label_makes_no_page(bench, monkeypatch):
    asked = ("report", "1", "--out", str(bench / "page.html"))
    done = told(bench, *asked, "--label-url", PATTERN, code=2)
    assert "add --label" in done.stderr
    assert not (bench / "page.html").exists()
    monkeypatch.setenv("BENCHLOG_LABEL_URL", PATTERN)
    told(bench, "report", "3", *asked[2:])  # without readings, so without pictures
    assert (bench / "page.html").exists()


def test_a_label_ends_as_a_label(bench):
    out = str(bench / "no.html")
    done = told(bench, "report", "1", "--label", "--out", out, code=2)
    assert ".svg or .pdf" in done.stderr
