"""The library's front door: runs as arrays and figures, in three lines."""

import json
import subprocess
import sys

import numpy as np
import pytest
from screen.scenes import Scene, Stage
from warm_program import PROGRAM, run

import benchlog
from benchlog.cli.printing import plain
from benchlog.errors import NotFoundError, StoreError
from benchlog.model import Decision


@pytest.fixture
def scene() -> Scene:
    return Scene(offset_ppm=-9.25, scatter_ppm=0.001)


@pytest.fixture
def run_id(stage: Stage, scene: Scene) -> int:
    return stage.play(scene)


def test_three_lines_give_figures_and_arrays(stage: Stage, run_id: int) -> None:
    with benchlog.open(stage.database) as records:
        run = records.run(run_id)
        figures, readings = run.figures(), run.readings()
    # 148 Hz low at 16 MHz is -9.25 ppm (common practice, no source)
    assert figures.offset_ppm == pytest.approx(-9.25, abs=0.01)
    assert readings.frequency_hz.mean() == pytest.approx(16e6 - 148, abs=0.2)
    assert figures.decision is Decision.PASS
    assert figures.limit_ppm == 30.0
    assert 0 < figures.u_ppm < 1
    assert len(readings) == figures.evaluation.assessment.stats.n
    assert np.all(np.diff(readings.id) > 0)


def test_the_dictionary_is_what_show_prints(stage: Stage, run_id: int) -> None:
    words = ("show", str(run_id), "--json", "--db", str(stage.database))
    done = run(
        [*PROGRAM, *words], capture_output=True, text=True, timeout=60, check=True
    )
    with benchlog.open(str(stage.database)) as records:
        document = records.run(run_id).figures().as_dict()
    printed = json.loads(done.stdout)
    assert json.loads(json.dumps(plain(document))) == printed
    assert list(document) == list(printed)


def test_runs_are_found_by_device_the_newest_first(stage: Stage, scene: Scene) -> None:
    numbers = [stage.play(scene), stage.play(scene)]
    with benchlog.open(stage.database) as records:
        device = records.latest().device
        found = records.runs(device=device)
        assert [run.id for run in found] == numbers[::-1]
        assert records.runs(device="nobody") == []
        with pytest.raises(NotFoundError, match="99"):
            records.run(99)


def test_an_arrow_table_has_the_same_values(stage: Stage, run_id: int) -> None:
    with benchlog.open(stage.database) as records:
        readings = records.run(run_id).readings()
    table = readings.to_arrow()
    assert table.num_rows == len(readings)
    np.testing.assert_array_equal(
        table["frequency_hz"].to_numpy(), readings.frequency_hz
    )
    assert table["utc_ns"].null_count == 0


def test_a_file_that_is_not_there_is_said(tmp_path) -> None:
    with pytest.raises(StoreError):
        benchlog.open(tmp_path / "none.db")


def test_importing_benchlog_loads_no_numbers() -> None:
    code = "import sys, benchlog; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    loaded = set(done.stdout.split())
    assert "benchlog" in loaded
    assert not {"numpy", "scipy", "benchlog.store", "benchlog.evaluation"} & loaded
