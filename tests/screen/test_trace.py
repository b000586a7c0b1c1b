"""The bounded trace: every extreme kept, gaps kept, one time axis."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from screen.scenes import MONO_NS, START_NS, Scene, Stage

from benchlog.model import Columns, Flag
from benchlog.plotting.offset_trace import (
    BINS,
    Bins,
    Timeline,
    Trace,
    preview,
)
from benchlog.store import Reader
from benchlog.units import NS_PER_S


def columns(at_s, *, utc_shift_s=0.0, segment=1, gaps=(), hz=None) -> Columns:
    at_s = np.asarray(at_s, float)
    n = len(at_s)
    flags = np.zeros(n, np.int64)
    flags[list(gaps)] = int(Flag.GAP_BEFORE)
    since_ns = (at_s * NS_PER_S).astype(np.int64)
    return Columns(
        id=np.arange(1, n + 1),
        segment=np.full(n, segment),
        utc_ns=START_NS + since_ns + round(utc_shift_s * NS_PER_S),
        mono_ns=MONO_NS + since_ns,
        gate_s=np.ones(n),
        frequency_hz=np.full(n, 1e6) if hz is None else np.asarray(hz, float),
        ambient_c=np.full(n, np.nan),
        flags=flags,
    )


@given(
    st.lists(st.tuples(st.floats(0, 50), st.floats(-1e3, 1e3)), min_size=1),
    st.integers(1, 7),
)
def test_no_extreme_is_lost_however_often_bins_merge(steps, piece):
    t_s = np.cumsum([step for step, _ in steps])
    ppm = np.array([value for _, value in steps])
    bins = Bins(count=8, bin_s=0.01)
    whole = np.zeros(len(ppm), bool)
    for at in range(0, len(ppm), piece):
        cut = slice(at, at + piece)
        bins.add(t_s[cut], ppm[cut], ppm[cut], whole[cut])
    spans = bins.spans()
    assert len(spans) <= 8
    assert spans.low_ppm.min() == ppm.min()
    assert spans.high_ppm.max() == ppm.max()
    assert np.all(np.diff(spans.t_s) > 0)
    # the very value is where it belongs: within half a bin of its time
    at = int(np.argmax(ppm))
    assert abs(spans.t_s[np.argmax(spans.high_ppm)] - t_s[at]) <= bins.bin_s / 2 + 1e-9


def test_memory_is_bounded_and_a_single_spike_survives_a_million_readings():
    trace = Trace(START_NS, 1e6, 1.0)
    for first in range(0, 1_000_000, 100_000):
        at_s = np.arange(first, first + 100_000) * 0.1
        hz = np.full(100_000, 1e6)
        if first == 300_000:
            hz[54_321] = 1e6 + 7
        trace.feed(columns(at_s, hz=hz))
    spans = trace.spans(0.0, trace.end_s)
    assert len(spans) <= BINS
    assert spans.high_ppm.max() == 7.0
    assert abs(spans.t_s[np.argmax(spans.high_ppm)] - 35_432.1) < 100_000 / BINS * 2


def test_newest_readings_are_shown_one_by_one():
    trace = Trace(START_NS, 1e6, 1.0)
    trace.feed(columns(np.arange(0, 20_000) * 1.0))
    assert np.allclose(trace.spans(19_940, 19_999).t_s, np.arange(19_940, 20_000))


def test_gap_is_kept_and_an_empty_stretch_stays_empty():
    at_s = np.concatenate((np.arange(0, 100), np.arange(400, 500)))
    trace = Trace(START_NS, 1e6, 1.0)
    trace.feed(columns(at_s, gaps=[100]))
    spans = trace.spans(0.0, 500.0)
    assert not np.any((spans.t_s > 100) & (spans.t_s < 399))
    assert spans.broken[np.searchsorted(spans.t_s, 399.0)]


def test_stepped_wall_clock_moves_nothing():
    line = Timeline(START_NS)
    line.place(columns([1, 2, 3]))
    t_s, broken = line.place(columns([4, 5, 6], utc_shift_s=3600.0))
    assert np.allclose(t_s, [4, 5, 6])
    assert not broken.any()


def test_new_segment_starts_where_utc_says_and_is_not_contiguous():
    line = Timeline(START_NS)
    line.place(columns([1, 2, 3]))
    t_s, broken = line.place(columns([1, 2], utc_shift_s=100.0, segment=2))
    assert np.allclose(t_s, [101, 102])
    assert broken.tolist() == [True, False]


def test_new_segment_never_goes_back_in_time():
    line = Timeline(START_NS)
    line.place(columns([1, 2, 300]))
    t_s, _ = line.place(columns([1, 2], utc_shift_s=-5000.0, segment=2))
    assert t_s.tolist() == [300.0, 301.0]


def test_import_without_time_stamps_begins_at_zero():
    line = Timeline(START_NS)
    bare = columns([0, 1, 2])
    bare.utc_ns[:] = -1
    assert line.place(bare)[0].tolist() == [0.0, 1.0, 2.0]


def test_correction_for_the_time_base_is_exact():
    trace = Trace(START_NS, 1e6, 1.0)
    trace.feed(columns([1.0], hz=[1e6 * (1 + 1e-2)]))
    spans = trace.spans(0, 2).corrected(2.0)
    # f_true = f_read (1 + y): design.md, "Nouns"
    assert np.isclose(spans.low_ppm[0], (1.01 * (1 + 2e-6) - 1) * 1e6, rtol=1e-12)


def test_divider_is_undone():
    trace = Trace(START_NS, 16e6, 16.0)
    trace.feed(columns([1.0], hz=[1e6 + 1]))
    assert np.isclose(trace.spans(0, 2).low_ppm[0], 1.0)


def test_preview_by_the_outline_has_the_same_extremes(stage: Stage):
    scene = Scene(readings=5_000, scatter_ppm=1.0, gate_s=0.1)
    run_id = stage.play(scene)
    with Reader.open(stage.database) as reader:
        run, outline = reader.run(run_id), reader.outline(run_id)
        trace = Trace(run.started_utc_ns, run.nominal_hz, run.divider)
        trace.feed(reader.columns_after(run_id))
    rough, exact = preview(outline, run), trace.spans(0.0, 501.0)
    assert rough.high_ppm.max() == exact.high_ppm.max()
    assert rough.low_ppm.min() == exact.low_ppm.min()
    assert np.isclose(rough.t_s[-1], trace.end_s)
