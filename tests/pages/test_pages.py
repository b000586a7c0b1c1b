"""Pages: what they say, that nothing can be smuggled in, that nothing is fetched."""

import re
from dataclasses import replace

import pytest
from pages.page_making import (
    HOSTILE,
    NOTE,
    fresh,
    parsed,
    said_by,
    series,
    words,
    write_run,
)

from benchlog.clock import VirtualClock
from benchlog.errors import UsageError
from benchlog.pages.content import Page, Prose, Section
from benchlog.pages.html import html_of
from benchlog.pages.page_builder import check_target, run_page, write_page
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment, VerdictRow
from benchlog.units import printable

HEADINGS = [
    "Verdict",
    "Figures",
    "Course of the run",
    "Stability",
    "Temperature",
    "Part",
    "Hook-up and instruments",
    "Events",
    "Verdicts and amendments",
    "What this source is good for",
    "Method",
    "Sources",
    "Cautions",
    "Signatures",
]


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    with fresh(folder) as writer:
        readings = series(120, swing_c=6.0, gap_at=(50,))
        run = write_run(
            writer, readings, device=HOSTILE, note=NOTE, operator="<i>A</i>"
        )
        writer.add_verdict(
            run,
            VerdictRow(
                word="pass",
                offset_ppm=8.0,
                u_ppm=0.1,
                limit_ppm=30.0,
                conformance=1.0,
                rule="guarded",
            ),
        )
        writer.amend(run, Amendment(kind="void", reason=f"probe off {HOSTILE}"))
        write_run(writer, series(3), device="short")
        write_run(writer, (), device="empty")
    return folder / "pages.db"


def page_for(database, *runs):
    with Reader.open(database) as reader:
        chosen = [reader.run(run) for run in runs]
        return run_page(reader, chosen, VirtualClock())


@pytest.fixture(scope="module")
def html(database):
    return html_of(page_for(database, 1))


@pytest.fixture(scope="module")
def tree(html):
    return parsed(html)  # raises on anything that is not valid HTML


def test_all_sections_are_there_in_order(tree):
    assert [words(h) for h in tree.iter("h2")] == HEADINGS
    assert len(list(tree.iter("h1"))) == 1
    assert tree.get("lang") == "en"


def test_what_a_person_must_be_able_to_read(tree):
    said = words(tree.find("body"))
    for text in (
        "Does not count: void (probe off",
        "PASS, conformance probability",
        "Uncertainty budget of the offset",
        "time base",
        "assumed",
        "±30 ppm",
        "120 in 5 min 20 s, 1 gap, verdict clear",
        "cubic about 25 °C",
        "supply",
        "3.301",
        "M,<b>Counter</b>,17,1.0",
        "not a calibration certificate",
        "see an accredited laboratory",
        "JCGM 106:2012",
        "asynchronous serial",
        "Measured with benchlog 0.1.0",
    ):
        assert text in said, text


def test_figures_are_rounded_to_their_uncertainty(tree):
    rows = {
        words(div.find("dt")): words(div.find("dd"))
        for div in tree.iter("div")
        if div.find("dt") is not None
    }
    offset, u = re.match(r"\+([\d.]+) ppm ± ([\d.]+) ppm", rows["Offset"]).groups()
    assert len(offset.partition(".")[2]) == len(u.partition(".")[2])
    assert len(u.replace(".", "").lstrip("0")) == 2


def test_what_comes_from_outside_is_text_and_nothing_else(html, tree):
    tags = {element.tag for element in tree.iter() if isinstance(element.tag, str)}
    assert not tags & {"script", "img", "iframe", "object", "embed", "link", "base"}
    attributes = {name for element in tree.iter() for name in element.attrib}
    assert not {name for name in attributes if str(name).lower().startswith("on")}
    assert printable(HOSTILE) in words(tree.find("head").find("title"))
    assert "<script" not in html and "<img" not in html and "onload=alert" in html
    assert "\x1b" not in html and "\u202e" not in html
    assert "\\x1b[2J\\x202egnp.exe" in words(tree.find("body"))
    assert "{{ 7*7 }}" in words(tree.find("body"))


def test_nothing_is_fetched(html, tree):
    for element in tree.iter():
        for name, value in element.attrib.items():
            plain = str(name).rpartition("}")[2].lower()
            if plain in ("src", "href", "action", "data", "poster", "srcset"):
                assert value.startswith("#"), (element.tag, name, value)
    assert all(link.startswith("#") for link in re.findall(r"url\(([^)]*)\)", html))
    assert "@import" not in html and "http://" not in re.sub(
        r'xmlns(:\w+)?="[^"]*"', "", html
    )
    policy = [m for m in tree.iter("meta") if "http-equiv" in m.attrib]
    assert policy[0].get("content").startswith("default-src 'none'")


def test_charts_have_names_and_words_for_who_cannot_see(tree):
    ids = [e.get("id") for e in tree.iter() if e.get("id")]
    assert len(ids) == len(set(ids)), "ids are unique"
    by_id = {e.get("id"): e for e in tree.iter() if e.get("id")}
    pictures = [e for e in tree.iter() if str(e.tag).endswith("svg")]
    assert len(pictures) == 10, "each as drawn and laid out for a phone"
    for picture in pictures:
        assert picture.get("role") == "img"
        name, described = (by_id[one] for one in picture.get("aria-labelledby").split())
        assert words(name) and len(words(described)) > 40
    for referenced in re.findall(
        r'href="#([^"]*)"',
        "".join(f'href="{e.get("href")}"' for e in tree.iter() if e.get("href")),
    ):
        assert referenced in by_id, referenced
    course = next(p for p in pictures if "Offset against time" in words(p))
    assert "120 readings between" in words(course)
    assert "1 gap, shaded" in words(course)


def test_tables_and_regions_are_named(tree):
    tables = list(tree.iter("table"))
    assert len(tables) >= 6
    for one in tables:
        assert words(one.find("caption"))
        assert all(th.get("scope") == "col" for th in one.iter("th"))
    for region in (e for e in tree.iter() if e.get("role") == "region"):
        assert region.get("aria-label")


def test_several_runs_on_one_page_and_runs_with_little_to_say(database):
    tree = said_by(page_for(database, 1, 2, 3))
    assert [words(h) for h in tree.iter("h2")][:4] == [
        "Runs",
        f"Run 1: {printable(HOSTILE)}",
        "Run 2: short",
        "Run 3: empty",
    ]
    said = words(tree.find("body"))
    assert "The run has no reading." in said
    assert "no stability: it needs at least 3 readings" in said
    assert said.count("Method") == 1


def test_pictures_of_several_runs_have_names_of_their_own(database):
    tree = parsed(html_of(courses(database, 2, 2)))
    ids = [e.get("id") for e in tree.iter() if e.get("id")]
    assert len(ids) == len(set(ids)) > 4


@pytest.mark.campaign  # pictures that are the same: cli/test_studies.py
def test_the_same_data_give_the_same_page(database):
    html, again = (html_of(courses(database, 2)) for _ in "12")
    assert html.count("<svg") > 1 and again == html


def courses(database, *runs):
    """Of a page what has one picture of each run."""
    page = page_for(database, *runs)
    kept = [one for one in page.sections if one.title == "Course of the run"]
    return replace(page, sections=tuple(kept))


def test_pages_are_written_whole_and_never_over_another(tmp_path):
    page = Page(
        title="KX-1",
        subtitle="",
        made="2030",
        software="1",
        sections=(Section("S", (Prose(("whole",)),)),),
    )
    out = tmp_path / "run.html"
    write_page(page, out, "A4", overwrite=False)
    with pytest.raises(UsageError, match="exists"):
        write_page(page, out, "A4", overwrite=False)
    write_page(page, out, "A4", overwrite=True)
    assert out.read_text("utf-8") == html_of(page)
    with pytest.raises(UsageError, match=r"end in \.html or \.pdf"):
        check_target(tmp_path / "run.docx", overwrite=False)
    assert [path.name for path in tmp_path.iterdir()] == ["run.html"]
