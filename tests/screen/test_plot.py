"""The chart as text: spikes, gaps, limits, labels."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.plotting import braille
from benchlog.plotting.axis_ticks import (
    TimeAxis,
    round_end_s,
    time_axis,
    value_axis,
)
from benchlog.plotting.offset_chart import Scene, draw_offsets, usual_scale
from benchlog.plotting.offset_trace import EMPTY, Spans


def spans(t_s, ppm, broken=()) -> Spans:
    gaps = np.zeros(len(t_s), bool)
    gaps[list(broken)] = True
    values = np.asarray(ppm, float)
    return Spans(np.asarray(t_s, float), values, values, gaps)


def text(lines) -> list[str]:
    return ["".join(run for run, _ in line) for line in lines]


def flat(n=600, value=0.0) -> Spans:
    return spans(np.arange(n), np.full(n, value))


def is_braille(cell: str) -> bool:
    return "\u2801" <= cell <= "\u28ff"


@given(st.integers(10, 200), st.integers(4, 60))
def test_every_line_is_exactly_as_wide_as_the_chart(width, height):
    lines = text(
        draw_offsets(
            Scene(
                spans=flat(), begin_s=0, end_s=600, limit_ppm=30.0, marks=[(5.0, "m")]
            ),
            width,
            height,
        )
    )
    assert len(lines) == height
    assert {len(line) for line in lines} == {width}


def test_one_reading_off_among_many_is_seen():
    values = np.zeros(100_000)
    values[61_803] = 5.0
    lines = text(
        draw_offsets(
            Scene(spans=spans(np.arange(100_000), values), begin_s=0, end_s=1e5), 80, 12
        )
    )
    top = next(line for line in lines[1:-2] if any(map(is_braille, line)))
    at = next(i for i, cell in enumerate(top) if is_braille(cell))
    left = lines[-2].index("└") + 1
    assert abs((at - left) / (80 - left) - 0.618) < 0.02


def test_gap_is_empty_and_its_line_broken():
    t_s = np.concatenate((np.arange(0, 200), np.arange(400, 600)))
    lines = text(
        draw_offsets(
            Scene(spans=spans(t_s, np.sin(t_s), [200]), begin_s=0, end_s=600), 66, 10
        )
    )
    left = lines[-2].index("└") + 1
    third = (66 - left) // 3
    middle = slice(left + third + 2, left + 2 * third - 2)
    assert not any(is_braille(cell) for line in lines[1:-2] for cell in line[middle])
    assert set(lines[-2][middle]) == {"╌"}
    assert "━" in lines[-2][left : left + third - 1]


def test_gap_too_short_to_be_seen_breaks_the_line_under_the_trace():
    lines = text(
        draw_offsets(
            Scene(
                spans=spans(np.arange(600), np.zeros(600), [300]), begin_s=0, end_s=600
            ),
            66,
            8,
        )
    )
    assert lines[-2].count("╌") == 1


def test_sparse_readings_are_joined_by_a_line():
    lines = text(
        draw_offsets(
            Scene(spans=spans([0, 30, 60], [0, 1, 0]), begin_s=0, end_s=60), 60, 8
        )
    )
    columns = zip(*(line[10:58] for line in lines[1:-2]), strict=True)
    assert all(any(map(is_braille, column)) for column in columns)


def test_limits_are_drawn_when_asked_for_and_named_when_not():
    scene = Scene(spans=flat(value=-9.25), begin_s=0, end_s=600, limit_ppm=30.0)
    fitted = text(draw_offsets(scene, 80, 12))
    assert "limits ±30 off the scale" in fitted[0]
    assert not any("limit +30" in line for line in fitted[1:])
    shown = text(
        draw_offsets(
            Scene(
                spans=flat(value=-9.25),
                begin_s=0,
                end_s=600,
                limit_ppm=30.0,
                scale="limits",
            ),
            80,
            12,
        )
    )
    assert [line.count("limit +30") for line in shown].count(1) == 1
    assert [line.count("limit -30") for line in shown].count(1) == 1
    upper = next(line for line in shown if "limit +30" in line)
    assert "╞╌╌" in upper


def test_nearer_limit_is_drawn_when_both_would_flatten_the_data():
    data = spans(np.arange(600), -5_500 + 500 * np.sin(np.arange(600) / 30))
    lines = text(
        draw_offsets(
            Scene(spans=data, begin_s=0, end_s=600, limit_ppm=1e4, scale="near"),
            100,
            14,
        )
    )
    assert "scaled to the nearer limit" in lines[0]
    assert "limit +10,000 off the scale" in lines[0]
    assert sum("limit -10,000" in line for line in lines[1:]) == 1


def test_limit_keeps_its_place_on_the_axis_under_dense_data():
    t_s = np.arange(3000)
    data = spans(t_s, 30 + 0.1 * np.sin(t_s))
    lines = text(
        draw_offsets(Scene(spans=data, begin_s=0, end_s=3000, limit_ppm=30.0), 60, 12)
    )
    assert sum("╞" in line for line in lines) == 1
    assert "limit -30 off the scale" in lines[0]


def test_marks_stand_under_their_moment():
    lines = text(
        draw_offsets(
            Scene(
                spans=flat(),
                begin_s=0,
                end_s=600,
                limit_ppm=None,
                marks=[(300.0, "m"), (599, "!")],
            ),
            70,
            8,
        )
    )
    left = lines[-2].index("└") + 1
    assert abs(lines[-2].index("m") - (left + (70 - left) / 2)) <= 1
    assert lines[-2].rstrip().endswith("!")


def test_nothing_to_show_is_an_empty_chart_with_its_limits():
    lines = text(
        draw_offsets(Scene(spans=EMPTY, begin_s=0, end_s=10, limit_ppm=30.0), 60, 9)
    )
    assert any("limit +30" in line for line in lines)


@pytest.mark.parametrize(
    ("low", "high", "limit", "before", "expected"),
    [
        (-9.3, -9.2, 30.0, "limits", "data"),
        (-29.0, 28.0, 30.0, "data", "limits"),
        (-31.0, -20.0, 30.0, "data", "limits"),
        (26.0, 27.0, 30.0, "data", "near"),
        (-6_000.0, -5_000.0, 1e4, "limits", "near"),
        (5_000.0, 5_300.0, 1e4, "near", "near"),  # near the border: as before
        (5_000.0, 5_300.0, 1e4, "data", "data"),
        (4.0, 9.5, 30.0, "data", "limits"),  # they stay in sight: the data still move
        (-9.3, -9.2, None, "limits", "data"),
        (-2.0, 2.0, 30.0, "limits", "limits"),  # near the border: as before
        (-2.0, 2.0, 30.0, "data", "data"),
    ],
)
def test_first_scale(low, high, limit, before, expected):
    assert usual_scale(spans([0, 1], [low, high]), limit, before) == expected


@given(
    st.floats(-1e5, 1e5),
    st.floats(0, 1e5),
    st.integers(2, 60),
)
def test_value_axis_holds_the_data_with_labels_evenly_apart(low, span, rows):
    axis = value_axis(low, low + span, rows)
    assert axis.low <= low
    assert axis.high >= low + span
    steps = np.diff(axis.ticks)
    assert np.allclose(steps, steps[0] if len(steps) else 0)
    labels = [axis.label(tick) for tick in axis.ticks]
    assert len(set(labels)) == len(labels)
    for tick, label in zip(axis.ticks, labels, strict=True):
        assert abs(float(label.replace(",", "")) - tick) <= abs(tick) * 1e-9 + 1e-12


@given(st.floats(0.001, 1e8))
def test_growing_chart_ends_at_a_round_time_not_far_beyond(end_s):
    end = round_end_s(end_s)
    assert end_s <= end <= max(10.0, end_s * 1.34)


@pytest.mark.parametrize(
    ("end_s", "unit", "labels"),
    [
        (60.0, "s", ["0", "15", "30", "45", "60"]),
        (600.0, "min", ["0", "2", "4", "6", "8", "10"]),
        (43_200.0, "h", ["0", "3", "6", "9", "12"]),
        (864_000.0, "days", ["0", "2", "4", "6", "8", "10"]),
    ],
)
def test_time_is_labelled_as_people_say_it(end_s, unit, labels):
    axis = time_axis(0.0, end_s, 5)
    assert (axis.unit, [label for _, label in axis.ticks]) == (unit, labels)


def test_dots_of_a_cell_are_where_unicode_has_them():
    # The Unicode Standard, block Braille Patterns: dots 1 2 3 7 left, 4 5 6 8 right
    dot = np.zeros((4, 2), bool)
    for (row, column), code in {
        (0, 0): 0x2801,
        (1, 0): 0x2802,
        (2, 0): 0x2804,
        (3, 0): 0x2840,
        (0, 1): 0x2808,
        (1, 1): 0x2810,
        (2, 1): 0x2820,
        (3, 1): 0x2880,
    }.items():
        dot[:] = False
        dot[row, column] = True
        assert braille.cells(dot) == [chr(code)]


def test_steep_step_has_no_holes():
    columns = braille.dot_columns(
        spans(np.arange(100), np.repeat([0.0, 9.0], 50)), TimeAxis(0, 100, (), "s"), 20
    )
    dot = braille.dots(braille.joined(columns), value_axis(0, 9, 8), 8)
    filled = [set(np.flatnonzero(dot[:, n])) for n in range(dot.shape[1])]
    for left, right in pairwise(filled):
        if left and right:
            assert min(abs(a - b) for a in left for b in right) <= 1
