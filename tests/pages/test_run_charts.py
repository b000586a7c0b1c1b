"""What the pictures of one run show, and what is told where it cannot be drawn."""

from dataclasses import replace

import numpy as np
import pytest
from pages.page_making import NS, fresh, series, write_run

from benchlog.model import Event, EventKind
from benchlog.pages.charts import BAND, STEP, course_chart, standing_chart
from benchlog.pages.run_record import run_record
from benchlog.pages.study_charts import stability_chart, trim_chart
from benchlog.store.reader import Reader
from benchlog.verdict.run.reference_band import AtReference

STEP_PPM = 4.0
STEP_AT = 300


def stepped(count):
    """Readings that follow ambient by 0.05 ppm/C and step up once."""
    for i, one in enumerate(series(count, swing_c=4.0)):
        more = 8.0 * STEP_PPM if i >= STEP_AT else 0.0
        yield replace(one, frequency_hz=one.frequency_hz + more)


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    """A run without a step, and one with a step that was found."""
    folder = tmp_path_factory.mktemp("charts")
    with fresh(folder) as writer:
        plain = write_run(writer, series(60))
        run = write_run(writer, stepped(500))
        with Reader.open(folder / "pages.db") as reader:
            (segment,) = reader.segments(run)
        at = (1_900_000_000 + STEP_AT + 5) * NS
        told = Event(at, at, EventKind.STEP, "a step")
        writer.commit([(run, segment.id, told)])
    with Reader.open(folder / "pages.db") as reader:
        return run_record(reader, reader.run(plain)), run_record(
            reader, reader.run(run)
        )


def test_the_names_of_the_slopes_lie_beside_the_deviations(records):
    """No name is across an error bar: it begins where the last of them stands."""
    found = records[1].stability
    (axes,) = stability_chart(found).figure.axes
    last_s = max(row.tau_s for row in found.rows if row.value)
    names = {text.get_text().strip(): text.xy[0] for text in axes.texts}
    assert names.keys() == {"white FM", "flicker FM", "random-walk FM"}
    low, high = axes.get_ylim()
    inside = [
        text
        for text in axes.texts
        if 1.01 * low < text.xy[1] < 0.99 * high  # it did not leave the picture before
    ]
    assert inside and all(text.xy[0] == last_s for text in inside)
    assert all(text.get_horizontalalignment() == "left" for text in axes.texts)
    assert axes.get_xlim()[1] > 1.5 * last_s


def test_trim_codes_are_whole_and_the_closest_is_no_verdict():
    chart = trim_chart({80: (-1234.5, "-1,234.5"), 81: (17.2, "+17.2")}, 10_000.0)
    (axes,) = chart.figure.axes
    assert all(float(tick).is_integer() for tick in axes.get_xticks())
    assert "the closest to nominal, 81, is a diamond" in chart.caption
    assert "best" not in chart.caption, "a trim that did not end has none"


def drawn_in(axes, colour):
    return [line for line in axes.lines if line.get_color() == colour]


def bands_in(axes):
    from matplotlib.colors import to_rgb

    return [p for p in axes.patches if p.get_facecolor()[:3] == to_rgb(BAND)]


def course(record, u_ppm):
    assessment = replace(record.assessment, offset_ppm=8.0, u_ppm=u_ppm)
    return course_chart(record.trace, assessment, record.steps)


def test_the_mean_has_its_band(records):
    chart = course(records[0], 0.01)
    (band,) = bands_in(chart.figure.axes[0])
    low, high = (
        band.get_extents()
        .transformed(chart.figure.axes[0].transData.inverted())
        .get_points()[:, 1]
    )
    assert (low, high) == pytest.approx((7.99, 8.01))
    (mean,) = drawn_in(chart.figure.axes[0], BAND)
    assert set(mean.get_ydata()) == {8.0}
    assert (
        "+8.000 +- 0.010 ppm, is drawn as a line within its band" in chart.alternative
    )


def test_a_band_wider_than_the_picture_is_told(records):
    chart = course(records[0], 5.0)
    assert not bands_in(chart.figure.axes[0])
    assert "U of the mean, +-5.0 ppm, is wider than the picture" in chart.caption
    assert "its uncertainty is wider" in chart.alternative


def test_an_unknown_uncertainty_is_told(records):
    chart = course(records[0], None)
    assert not bands_in(chart.figure.axes[0])
    assert "The uncertainty of the mean is not known." in chart.alternative


def test_a_step_is_drawn_and_told(records):
    plain, stepping = (course(one, 0.01) for one in records)
    assert not drawn_in(plain.figure.axes[0], STEP)
    assert "step" not in plain.caption + plain.alternative
    (line,) = drawn_in(stepping.figure.axes[0], STEP)
    assert line.get_xdata()[0] * 60 == pytest.approx(STEP_AT - 0.5)
    assert "step dash-dotted: +3.97 ppm at " in stepping.caption
    assert "A dash-dotted line marks each step: +3.97 ppm at " in stepping.alternative


def test_a_step_is_left_out_of_the_temperature_curve(records):
    data, fit = records[1].temperature
    assert fit.coefficients[0].value == pytest.approx(0.05, abs=0.01)
    assert np.ptp(data.offset_ppm) < 1.0 < STEP_PPM


def test_judged_is_filled_and_measured_is_hollow(records):
    base = records[0].assessment
    at = AtReference(
        temperature_c=25.0,
        band_c=3.0,
        n=60,
        n_outside=60,
        offset_ppm=-3.0,
        u_ppm=0.5,
        budget=base.budget,
        moved_ppm=-11.0,
        law="a law",
    )
    measured = replace(base, offset_ppm=8.0, u_ppm=0.2, at_reference=at)
    chart = standing_chart(measured)
    marks = [one for one in chart.figure.axes[0].lines if one.get_marker() == "D"]
    found = {float(one.get_xdata()[0]): one.get_markerfacecolor() for one in marks}
    assert found.keys() == {-3.0, 8.0}
    assert found[8.0] == "none" != found[-3.0]
    assert "judged (filled) and as measured (hollow)" in chart.caption
    assert chart.alternative.index("at 25 °C, ") < chart.alternative.index(
        "as measured, "
    )
    alone = standing_chart(replace(measured, at_reference=None))
    assert "hollow" not in alone.caption
