"""A run evaluated: all at once or piece by piece, of readings or of pulses."""

from dataclasses import replace

import numpy as np
import pytest
from pulse_scene import PulseScene
from screen.scenes import QUARTZ, Scene, Stage

from benchlog.clock import VirtualClock
from benchlog.errors import DataError, NotFoundError
from benchlog.evaluation.run_evaluation import RunEvaluator, evaluate, fed
from benchlog.model import Decision, Limits
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

PULSES = 600
"""Of the device, as many of the reference: what a scene has."""


@pytest.fixture
def reader(stage: Stage):
    scene = Scene(offset_ppm=-9.25, scatter_ppm=0.001, gaps_after=[20])
    run_id = stage.begin(scene)
    stage.readings(run_id, scene.values(48))
    with Reader.open(stage.database) as reader:
        yield reader


@pytest.fixture
def pulses(tmp_path):
    path = tmp_path / "pulses.db"
    with Writer.open(path, VirtualClock()) as writer:
        scene = PulseScene(writer, VirtualClock())
        scene.begin()
        scene.end()
    with Reader.open(path) as reader:
        yield reader


def test_piece_by_piece_is_as_good_as_all_at_once(reader: Reader) -> None:
    pieces = RunEvaluator(reader.run(1))
    came = [pieces.feed(columns) for columns in reader.chunks(1, size=7)]
    assert came == [7] * 6 + [6]
    whole = evaluate(reader, 1).assessment
    found = pieces.assessment()
    assert found.stats.n == whole.stats.n == 48
    assert found.stats.gaps == whole.stats.gaps == 1
    assert found.offset_ppm == pytest.approx(whole.offset_ppm, rel=1e-12)
    assert found.u_ppm == pytest.approx(whole.u_ppm, rel=1e-9)


def test_readings_are_given_only_when_they_are_asked_for(reader: Reader) -> None:
    assert evaluate(reader, 1).columns is None
    columns = evaluate(reader, 1, whole=True).columns
    np.testing.assert_array_equal(columns.id, reader.columns_after(1).id)


def test_a_run_may_be_judged_on_another_part(reader: Reader) -> None:
    run = reader.run(1)
    assert evaluate(reader, run).assessment.word is Decision.PASS
    strict = replace(run, part=replace(QUARTZ, limits=Limits(tolerance_ppm=5.0)))
    assert evaluate(reader, strict).assessment.word is Decision.FAIL


def test_an_open_run_that_nobody_keeps_is_broken_off(reader: Reader) -> None:
    found = evaluate(reader, 1)
    assert found.run.open
    assert found.state == "broken off"
    assert found.kept_check is None


def test_a_summary_is_worked_out_where_it_is_wanted(reader: Reader) -> None:
    assert evaluate(reader, 1).summary is None
    assert evaluate(reader, 1, summary="long").summary is None  # 48 s are not long
    summary = evaluate(reader, 1, summary="always").summary
    assert (summary.readings, summary.gaps) == (48, 1)
    with pytest.raises(DataError, match="no summary"):
        fed(reader, reader.run(1)).watched()


def test_progress_ends_with_all_readings(reader: Reader) -> None:
    told: list[tuple[int, int]] = []
    evaluate(reader, 1, progress=lambda done, in_all: told.append((done, in_all)))
    assert told[-1] == (48, 48)


def test_a_run_that_is_not_there_is_named(reader: Reader) -> None:
    with pytest.raises(NotFoundError, match="99"):
        evaluate(reader, 99)


def test_a_run_of_pulses_gives_offsets_over_stretches(pulses: Reader) -> None:
    found = evaluate(pulses, 1, whole=True)
    assert found.assessment.timing is not None
    assert found.pulses is not None
    assert 0 < len(found.columns) < PULSES
    assert pulses.count(1) == 0  # they are worked out, not stored


def test_pulses_count_for_the_device_not_for_the_reference(pulses: Reader) -> None:
    evaluator = RunEvaluator(pulses.run(1))
    assert evaluator.of_pulses
    assert evaluator.feed(pulses.pulses_after(1)) == PULSES


def test_readings_have_no_trains(reader: Reader) -> None:
    evaluator = fed(reader, reader.run(1))
    assert not evaluator.of_pulses
    for ask in (evaluator.trains, evaluator.charted):
        with pytest.raises(DataError, match="has readings, and no pulses"):
            ask()
