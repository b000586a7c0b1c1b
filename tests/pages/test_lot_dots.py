"""A lot's devices as dots with U between the limits."""

import pytest
from pages.test_lot_pages import OFFSETS, database, reader

from benchlog.evaluation.lots import existing_lot, lot_with_runs
from benchlog.pages.lot_charts import devices_chart

__all__ = ["database", "reader"]


def test_each_device_is_a_dot_with_its_uncertainty_between_the_limits(reader):
    report = lot_with_runs(reader, existing_lot(reader, "L<7>", None))[0]
    chart = devices_chart(report)
    (axes,) = chart.figure.axes
    dots = {}
    for drawn in axes.containers:
        mark, _, (bar,) = drawn.lines
        ((low, high),) = ((a[0], b[0]) for a, b in bar.get_segments())
        dots[float(mark.get_xdata()[0])] = (mark.get_marker(), low, high)
    assert sorted(dots) == pytest.approx(sorted(OFFSETS[1:])), "D0 is void"
    for ppm, (marker, low, high) in dots.items():
        assert (low, high) == pytest.approx((ppm - 1.2, ppm + 1.2))
        assert marker == ("X" if ppm > 30 else "o")
    limits = [one for one in axes.lines if one.get_linestyle() == "--"]
    assert {float(one.get_xdata()[0]) for one in limits} == {-30.0, 30.0}
    bottom, top = axes.get_ylim()
    assert bottom <= -4 - 0.5 and top >= 0.5, "every dot is whole within the axes"
    assert "5 devices between" in chart.alternative
    assert "limits of +-30 ppm dashed" in chart.caption
