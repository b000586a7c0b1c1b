"""A run's frequencies alone: exactly what its columns give, whatever is in between."""

from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from store.making import begin, fresh_writer, reading, rows
from tiers import seldom

from benchlog.analysis.series import (
    frequencies_of,
    series_from_columns,
    series_from_frequencies,
)
from benchlog.errors import DataError
from benchlog.model import Breaks, Flag, Frequencies
from benchlog.store import arrays as lean
from benchlog.store.reader import Reader

STEP_NS = 1_000_000_000
ODD = st.fixed_dictionaries(
    {},
    optional={
        "flags": st.sampled_from(
            [Flag.GAP_BEFORE, Flag.SETTLING, Flag.SUSPECT, Flag.GAP_BEFORE | Flag(64)]
        ),
        "gate_s": st.sampled_from([1.0, 1.0 + 5e-7, 1.0 + 5e-6, 0.5, 0.0]),
        "late_ns": st.sampled_from([0, -3 * STEP_NS, 4 * STEP_NS, 70 * STEP_NS]),
        "utc_ns": st.none(),
        "turn": st.just(True),
        "other": st.just(True),
    },
)


@pytest.fixture(scope="module")
def writer(tmp_path_factory):
    yield from fresh_writer(tmp_path_factory.mktemp("lean"))


def written(writer, oddities):
    """Write a run of plain readings, some of them odd, another run's in between."""
    run, segment = begin(writer)
    other, other_segment = begin(writer)
    late_ns, made = 0, []
    for index, given_odd in enumerate(oddities):
        odd = dict(given_odd)
        late_ns += odd.pop("late_ns", 0)
        if odd.pop("turn", False):
            segment = writer.begin_segment(run)
        if odd.pop("other", False):
            made.append((other, other_segment, reading(index)))
        plain = reading(index)
        utc_ns = odd.pop("utc_ns", plain.utc_ns + late_ns)
        made.append(
            (
                run,
                segment,
                reading(index, utc_ns=utc_ns, mono_ns=plain.mono_ns + late_ns, **odd),
            )
        )
    writer.commit(made)
    return run


def the_same(one, two):
    if isinstance(one, Frequencies | Breaks):
        assert type(one) is type(two)
        for field in fields(one):
            the_same(getattr(one, field.name), getattr(two, field.name))
    else:
        np.testing.assert_array_equal(one, two, strict=isinstance(one, np.ndarray))


def outcome(make):
    try:
        return make()
    except DataError as error:
        return str(error)


@pytest.mark.parametrize("examples", [15, seldom(60)])
def test_what_sql_finds_is_what_the_columns_hold(writer, examples):
    @settings(max_examples=examples, deadline=None)
    @given(st.lists(st.one_of(st.just({}), st.just({}), ODD), max_size=25))
    def of(oddities):
        run = written(writer, oddities)
        with Reader.open(writer.path) as reader:
            found, columns = reader.frequencies(run), reader.columns_after(run)
        the_same(found, frequencies_of(columns))
        ours = outcome(lambda: series_from_frequencies(found, 16e6, 2.0))
        theirs = outcome(lambda: series_from_columns(columns, 16e6, 2.0))
        if isinstance(ours, str) or isinstance(theirs, str):
            assert ours == theirs
        else:
            np.testing.assert_array_equal(ours.values, theirs.values)
            assert (ours.tau0_s, ours.gate_s) == (theirs.tau0_s, theirs.gate_s)

    of()


def test_a_run_without_readings(writer):
    run, _ = begin(writer)
    with Reader.open(writer.path) as reader:
        assert len(reader.frequencies(run)) == 0
        assert len(reader.frequencies(run + 99)) == 0


def test_a_second_thread_finds_the_same(writer, monkeypatch):
    run = written(writer, [{}, {}, {"flags": Flag.GAP_BEFORE}, {}, {"turn": True}])
    with Reader.open(writer.path) as reader:
        alone = reader.frequencies(run)
        monkeypatch.setattr(lean, "_THREADED", 0)
        the_same(reader.frequencies(run), alone)
    assert alone.breaks.at.tolist() == [2, 4]
    assert alone.breaks.turned.tolist() == [False, True]


@pytest.mark.parametrize("scattered", [0, 4])
def test_runs_that_take_turns_are_told_apart(tmp_path: Path, monkeypatch, scattered):
    """Two positions of a bench write in turn; one run's ids are every other one."""
    monkeypatch.setattr(lean, "_SCATTERED", scattered)
    for writer in fresh_writer(tmp_path):
        a, b = begin(writer), begin(writer)
        for start in range(0, 300, 50):
            mixed = [
                row
                for pair in zip(rows(*a, 50, start), rows(*b, 50, start), strict=True)
                for row in pair
            ]
            writer.commit(mixed)
        with Reader.open(writer.path) as reader:
            found = reader.frequencies(b[0])
            the_same(found, frequencies_of(reader.columns_after(b[0])))
        assert len(found) == 300
        assert len(found.breaks.at) == 0
