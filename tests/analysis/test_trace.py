"""Thinning for pictures: no spike and no gap is lost."""

import numpy as np
import pytest
from columns_maker import columns, without
from pages.page_making import fresh, series, write_run

from benchlog.analysis.thinning import (
    STRETCHES,
    averaged,
    broken_at_gaps,
    elapsed_s,
    measured,
    trace_of,
)
from benchlog.model import Flag
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


def test_segments_follow_each_other_by_utc():
    one = columns(np.full(4, 8e6), segment=np.array([1, 1, 2, 2]))
    one.mono_ns[2:] = [5, 1_000_000_005]
    one.utc_ns[2:] += 100 * 10**9
    assert elapsed_s(one) == pytest.approx([0.0, 1.0, 102.0, 103.0], abs=1e-9)


def test_means_for_laws_leave_unknown_ambient_out(reader):
    ambient = np.where(np.arange(9_000) % 2, 25.0, np.nan)
    found, _ = drawn(reader, np.full(9_000, 8e6), ambient_c=ambient)
    t_s, c, ppm = averaged(found)
    assert len(t_s) <= 2_000
    assert np.all(c == 25.0) and np.allclose(ppm, 0.0)
    assert Flag.NONE == 0
