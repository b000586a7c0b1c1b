"""Thinning for pictures: no spike and no gap is lost."""

import numpy as np
import pytest
from columns_maker import columns, without
from pages.page_making import fresh, series, write_run

from benchlog.analysis.thinning import (
    STRETCHES,
    ReadingCourse,
    averaged,
    broken_at_gaps,
    measured,
    trace_of,
)
from benchlog.model import Columns, Flag
from benchlog.store.reader import Reader


@pytest.fixture
def reader(tmp_path):
    with fresh(tmp_path) as writer:
        write_run(writer, series(300))
    with Reader.open(tmp_path / "pages.db") as reader:
        yield reader


def drawn(reader, hertz, **more):
    found = measured(columns(np.asarray(hertz), **more), reader.run(1), 0.0)
    return found, trace_of(found)


def test_every_spike_of_a_long_run_is_drawn(reader):
    hertz = np.full(50_000, 8e6)
    hertz[[7, 31_234, 49_999]] += [80.0, -160.0, 240.0]
    found, trace = drawn(reader, hertz)
    assert trace.thinned and len(trace.t_s) == STRETCHES
    assert trace.high_ppm.max() == found.ppm.max() == pytest.approx(30.0)
    assert trace.low_ppm.min() == found.ppm.min() == pytest.approx(-20.0)
    assert np.count_nonzero(trace.high_ppm > 5) == 2
    assert found.ppm.mean() == pytest.approx(trace.mean_ppm.mean(), abs=1e-6)


def test_a_short_run_is_drawn_as_it_is(reader):
    found, trace = drawn(reader, 8e6 + np.arange(50.0))
    assert not trace.thinned
    assert np.array_equal(trace.mean_ppm, found.ppm)


def test_no_line_crosses_a_gap(reader):
    gapped = without(columns(np.full(60, 8e6)), range(20, 30))
    trace = trace_of(measured(gapped, reader.run(1), 0.0))
    assert len(trace.gaps_s) == 1
    broken = broken_at_gaps(trace)
    (empty,) = np.flatnonzero(np.isnan(broken.mean_ppm))
    assert trace.gaps_s[0, 0] < broken.t_s[empty] < trace.gaps_s[0, 1]


def test_the_time_base_corrects_what_is_drawn(reader):
    found = measured(columns(np.full(3, 8e6)), reader.run(1), 0.25)
    assert found.ppm == pytest.approx([0.25] * 3, abs=1e-12)


def test_segments_follow_each_other_by_utc(reader):
    one = columns(np.full(4, 8e6), segment=np.array([1, 1, 2, 2]))
    one.mono_ns[2:] = [5, 1_000_000_005]
    one.utc_ns[2:] += 100 * 10**9
    t_s = measured(one, reader.run(1), 0.0).t_s
    assert t_s == pytest.approx([0.0, 1.0, 102.0, 103.0], abs=1e-9)


@pytest.mark.parametrize("size", [1, 7, 100])
@pytest.mark.parametrize("stamped", [True, False])
def test_in_chunks_the_course_is_what_it_is_at_once(reader, size, stamped):
    segment = np.repeat([4, 5, 6, 9], [30, 1, 40, 29])
    whole = columns(8e6 + np.arange(100.0) % 7, segment=segment)
    whole.mono_ns[31:] -= 20 * 10**9
    whole.utc_ns[50:] += 10**9
    whole.mono_ns[80] = whole.mono_ns[70]
    whole.flags[[0, 14, 50]] |= Flag.GAP_BEFORE
    if not stamped:
        whole.utc_ns[:] = -1
    course = ReadingCourse()
    for at in range(0, 100, size):
        pieces = (getattr(whole, name)[at : at + size] for name in Columns.__slots__)
        course.feed(Columns(*pieces))
    found = course.measured(reader.run(1), 0.5)
    expected = measured(whole, reader.run(1), 0.5)
    assert found.first_utc_ns == expected.first_utc_ns
    for name in ("t_s", "ppm", "ambient_c", "gaps_s"):
        assert np.array_equal(
            getattr(found, name), getattr(expected, name), equal_nan=True
        ), name
    assert len(found.gaps_s) == 5 and np.all(np.diff(found.t_s) >= 0)


def test_a_run_without_readings_has_no_course(reader):
    found = ReadingCourse().measured(reader.run(1), 0.0)
    assert len(found.t_s) == len(found.ppm) == len(found.gaps_s) == 0


def test_means_for_laws_leave_unknown_ambient_out(reader):
    ambient = np.where(np.arange(9_000) % 2, 25.0, np.nan)
    found, _ = drawn(reader, np.full(9_000, 8e6), ambient_c=ambient)
    t_s, c, ppm = averaged(found)
    assert len(t_s) <= 2_000
    assert np.all(c == 25.0) and np.allclose(ppm, 0.0)
    assert Flag.NONE == 0
