"""Pages of a qualification: each device's, and the rack's."""

import re

import numpy as np
import pytest
from pages.page_making import parsed, said_by, undrawn, words
from rack_scene import UID, write_rack
from tiers import seldom

from benchlog.clock import VirtualClock
from benchlog.model import Decision, Limits
from benchlog.pages.content import Chart, Table
from benchlog.pages.html import html_of
from benchlog.pages.page_builder import rack_page, run_page
from benchlog.pages.pdf import pdf_of
from benchlog.pages.rack.curve_charts import NamedCurve, rack_chart
from benchlog.store.reader import Reader
from benchlog.verdict.rack.curves import TIME, Curve

HOSTILE = "<img onerror=1>\x1b[2J"


def pages_of(folder, sequence, **more):
    """The page of the first device, and that of the rack."""
    path = folder / f"{sequence}.db"
    first, *_ = write_rack(path, sequence, **more)
    with Reader.open(path) as reader:
        run = reader.run(first)
        return (
            run_page(reader, [run], VirtualClock()),
            rack_page(reader, run, VirtualClock()),
        )


@pytest.fixture(scope="module")
def sweep(tmp_path_factory):
    return pages_of(tmp_path_factory.mktemp("sweep"), "temperature-sweep")


def blocks(page, title, kind):
    return [
        block
        for one in page.sections
        if one.title == title
        for block in one.blocks
        if isinstance(block, kind)
    ]


def test_each_characteristic_has_what_is_promised_beside_it(sweep):
    (table,) = blocks(sweep[0], "Promised and found", Table)
    rows = {row[0]: row for row in table.rows}
    assert list(rows) == [
        *("offset-at-reference", "frequency-temperature", "temperature-slope"),
        *("hysteresis", "activity-dips"),
    ]
    _, _, promised, found, u, verdict, _ = rows["hysteresis"]
    # the scene's rising way is 0.2 ppm above its falling one
    assert abs(float(found.split()[0]) - 0.2) <= float(u) + 0.005
    assert promised in ("≤ 0.6 ppm", "<= 0.6 ppm") and verdict == "pass"
    assert rows["temperature-slope"][2] == "-" and rows["temperature-slope"][5] == "-"


def test_both_ways_and_the_dip_are_in_the_picture(sweep):
    (chart,) = blocks(sweep[0], "Characteristics", Chart)
    axes = chart.figure.axes[0]
    names = [text.get_text() for text in axes.get_legend().get_texts()]
    assert {"rising", "falling"} <= set(names)
    assert [text.get_text() for text in axes.texts] == ["dip"]
    # the scene's dip lies at 35 C
    at_c = float(re.search(r"at (\S+) .?C\.", chart.alternative)[1])
    assert abs(at_c - 35.0) < 3.0
    assert "dips shaded" in chart.caption


def test_a_device_without_a_dip_has_none_in_its_picture(tmp_path):
    path = tmp_path / "q.db"
    *_, last = write_rack(path, "temperature-sweep", devices=2)
    with Reader.open(path) as reader:
        page = run_page(reader, [reader.run(last)], VirtualClock())
    (chart,) = blocks(page, "Characteristics", Chart)
    assert not chart.figure.axes[0].texts and "dip" not in chart.caption


def test_steps_have_their_times_and_what_was_not_settled(tmp_path):
    device, rack = pages_of(tmp_path, "temperature-five-points")
    (table,) = blocks(device, "Sequence", Table)
    assert [row[1] for row in table.rows][:2] == ["reference", "coldest"]
    assert all(row[4].startswith("20 min") for row in table.rows)
    remarks = {row[1]: row[6] for row in table.rows}
    assert remarks.pop("warm") == "not settled when it was measured"
    assert set(remarks.values()) == {"-"}
    (table,) = blocks(rack, "Sequence", Table)
    assert {row[5] for row in table.rows} == {"3"}
    (told,) = blocks(device, "Setters", Table)
    assert [row[1:] for row in told.rows] == [
        ("chamber", "setter 'chamber': fault: it did not answer for a while")
    ]


def test_a_sequence_that_was_cut_is_told_as_such(tmp_path):
    device, rack = pages_of(tmp_path, "temperature-five-points", steps=3, open_=True)
    for page in (device, rack):
        said = words(said_by(page))
        assert "The sequence is not complete: 3 of 6 steps measured" in said
        assert "not reached" in said


@pytest.mark.parametrize(
    ("sequence", "against"),
    [
        ("supply", ["supply"]),
        ("pull-range", ["control voltage"]),
        ("warm-up", ["time since power on"]),
        seldom("ageing", ["time"]),
        ("tolerance-at-reference", []),
    ],
)
def test_each_sequence_has_its_picture(tmp_path, sequence, against):
    steps = 50 if sequence == "ageing" else None
    device, rack = pages_of(tmp_path, sequence, devices=2, steps=steps)
    for page, title in ((device, "Characteristics"), (rack, "Curves")):
        captions = [chart.caption for chart in blocks(page, title, Chart)]
        assert len(captions) == len(against)
        for caption, what in zip(captions, against, strict=True):
            assert f"against {what}" in caption


def test_the_rack_has_all_devices_by_all_characteristics(sweep):
    _, rack = sweep
    tables = blocks(rack, "Devices", Table)
    for table in tables:
        assert [row[0] for row in table.rows] == ["VX-1", "VX-2", "VX-3"]
    heads = [head for table in tables for head in table.headers[4:]]
    assert [head.partition(",")[0] for head in heads] == [
        *("offset-at-reference", "frequency-temperature", "temperature-slope"),
        *("hysteresis", "activity-dips"),
    ]
    assert len(blocks(rack, "Spread", Chart)) == 5
    (curves,) = blocks(rack, "Curves", Chart)
    assert curves.caption.startswith("3 devices: ")
    labels = curves.figure.axes[0].get_legend().get_texts()
    assert [label.get_text() for label in labels] == ["VX-1", "VX-2", "VX-3"]


def test_many_devices_are_a_histogram_with_the_limit(tmp_path):
    _, rack = pages_of(tmp_path, "tolerance-at-reference", devices=12)
    (chart,) = blocks(rack, "Spread", Chart)
    axes = chart.figure.axes[0]
    (bars,) = axes.patches
    assert sum(bars.get_data().values) == 12
    assert sorted(line.get_xdata()[0] for line in axes.lines) == [-1.5, 1.5]
    # devices lie 0.2 ppm apart from 0.3 ppm down: two are beyond -1.5 ppm
    assert "2 beyond the limit" in chart.alternative
    said = words(said_by(rack))
    assert "FAIL: 12 devices, 9 pass, 2 fail, 1 undecided" in said
    assert "offset-at-reference fail: VX-11, VX-12" in said


@pytest.mark.parametrize("printed", [undrawn, seldom(lambda page: page)])
def test_both_pages_are_valid_html_and_a_pdf_and_say_how_u_came_about(
    tmp_path, printed
):
    device, rack = pages_of(tmp_path, "supply", devices=2, hostile=HOSTILE)
    # a device's pictures are lines, as those of every run
    for page in (undrawn(device), rack):
        html = html_of(page)
        said = words(parsed(html))
        assert UID in said and "Allan variances within all turns" in said
        assert "<img onerror" not in html and "\x1b" not in html
        assert pdf_of(printed(page), "A4").startswith(b"%PDF-")


def test_curves_of_unlike_length_have_one_unit_of_time():
    """Measured again after 1.5 and 2.1 days: hours and days are not mixed."""
    several = [
        NamedCurve(
            device=device,
            verdict=Decision.PASS,
            curve=Curve(
                along=TIME,
                unit="days",
                at=np.array([0.0, days]),
                ppm=np.array([0.0, 0.1]),
                u_ppm=np.zeros(2),
                way=np.zeros(2, dtype=np.int64),
                relative=False,
            ),
        )
        for device, days in (("RS-1", 1.5), ("RS-3", 2.1))
    ]
    (axes,) = rack_chart(several, Limits(tolerance_ppm=1.5)).figure.axes
    assert axes.get_xlabel() == "time since the first point, days"
    assert [line.get_xdata()[-1] for line in axes.lines] == [1.5, 2.1]
