"""`import benchlog`: five names, typed, as they were, and the manual's notebook."""

import inspect
import json
import os
import re
import typing
from dataclasses import fields, is_dataclass
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from screen.scenes import Scene, Stage
from warm_program import PROGRAM, run

import benchlog
from benchlog.errors import DataError, NotFoundError, UsageError
from benchlog.evaluation.records import Readings, RecordedRun, Records, RunFigures
from benchlog.library.recorded import RunRow
from benchlog.manual import read_page
from benchlog.model import Decision
from benchlog.store.reader import Reader

FIVE = ("figures", "open", "plot", "readings", "runs")
KEPT = Path(__file__).with_name("interface.txt")
SCENE = Scene(offset_ppm=-9.25, scatter_ppm=0.001)


@pytest.fixture
def run_id(stage: Stage) -> int:
    return stage.play(SCENE)


def test_all_that_is_promised_is_there_and_nothing_else() -> None:
    assert sorted(benchlog.__all__) == sorted([*FIVE, "__version__"])
    assert set(FIVE) <= set(dir(benchlog))
    with pytest.raises(AttributeError, match="no attribute 'read'"):
        _ = benchlog.read


def interface() -> str:
    """Return the five names and what they return, as a script can use them."""
    lines = [f"{name}{signature(getattr(benchlog, name))}" for name in FIVE]
    for one in (RunRow, Readings, RunFigures, Records, RecordedRun):
        lines.append(f"\n{one.__name__}")
        if is_dataclass(one):
            lines += [f"  {field.name}" for field in fields(one)]
        for name, member in sorted(vars(one).items()):
            if name == "reader":  # told to be of no interface that stays
                continue
            if isinstance(member, property):
                lines.append(f"  {name} -> {signature(member.fget)}")
            elif inspect.isfunction(member) and not name.startswith("_"):
                lines.append(f"  {name}{signature(member)}")
    return "\n".join(lines) + "\n"


def signature(function: object) -> str:
    """Return parameters and types, without the modules where the types are made."""
    assert callable(function)
    return re.sub(
        r"\b[a-z_]+(\.[a-z_]+)*\.(?=[A-Z])", "", str(inspect.signature(function))
    )


def test_the_interface_is_the_one_that_is_promised() -> None:
    """Lines may be added within a version; one that changes or goes breaks scripts.

    `BENCHLOG_UPDATE_FROZEN=1 pytest tests/library` writes it anew.
    """
    if os.environ.get("BENCHLOG_UPDATE_FROZEN") == "1":
        KEPT.write_text(interface(), "utf-8")
    assert interface() == KEPT.read_text("utf-8")


@pytest.mark.parametrize("name", FIVE)
def test_a_name_is_typed_and_documented(name: str) -> None:
    function = getattr(benchlog, name)
    figure = {"Figure": object}
    hints = typing.get_type_hints(function, vars(inspect.getmodule(function)) | figure)
    assert hints.keys() == inspect.signature(function).parameters.keys() | {"return"}
    assert "Raises" in (function.__doc__ or "")


def test_runs_are_rows_the_newest_first(stage: Stage, run_id: int) -> None:
    other = stage.play(Scene(device="Q-2", lot="B7"))
    first, second = benchlog.runs(stage.database)
    assert (first.run, second.run) == (other, run_id)
    assert second.device == "Q-0417" and second.verdict == "pass" and second.counts
    # 148 Hz low at 16 MHz is -9.25 ppm (common practice, no source)
    assert second.offset_ppm == pytest.approx(-9.25, abs=0.01)
    assert second.started is not None and second.started.isoformat().endswith("+00:00")
    assert [row.run for row in benchlog.runs(stage.database, device="Q-2")] == [other]
    assert [row.run for row in benchlog.runs(str(stage.database), lot="B7")] == [other]
    assert benchlog.runs(stage.database, device="nobody") == []
    assert len(benchlog.runs(stage.database, limit=1)) == 1


def test_readings_are_those_of_the_database(stage: Stage, run_id: int) -> None:
    raw = benchlog.readings(stage.database, run_id)
    with Reader.open(stage.database) as reader:
        wanted = reader.columns_after(run_id)
    np.testing.assert_array_equal(raw.frequency_hz, wanted.frequency_hz)
    assert raw.utc_ns.dtype == np.int64 and len(raw) == 48
    table = raw.to_arrow()
    assert table.schema.field("frequency_hz").type == "double"
    assert table.schema.field("utc_ns").type == "int64"


def test_a_run_is_given_by_number_uuid_or_label(stage: Stage, run_id: int) -> None:
    (row,) = benchlog.runs(stage.database)
    with benchlog.open(stage.database) as records:
        for run in (run_id, row.run_uid, f"URN:UUID:{row.run_uid.upper()}"):
            found = benchlog.figures(records, run)
            assert found.decision is Decision.PASS
            assert found.offset_ppm == pytest.approx(-9.25, abs=0.01)
        assert len(benchlog.readings(records, run_id)) == 48
        assert records.latest().id == run_id, "it is open still"
    for wrong in (99, "f81d4fae-7dec-11d0-a765-00a0c91e6bf6", "KX-0412", "1"):
        with pytest.raises(NotFoundError):
            benchlog.figures(stage.database, wrong)
    assert benchlog.figures(stage.database, np.int64(run_id)).offset_ppm == (
        pytest.approx(-9.25, abs=0.01)
    )
    with pytest.raises(NotFoundError, match="its number, its UUID or the code"):
        benchlog.readings(stage.database, "KX-0412")


def test_what_names_no_run_is_told(stage: Stage, run_id: int) -> None:
    for wrong in (None, 1.5, float("nan"), [run_id]):
        with pytest.raises(UsageError, match="names no run"):
            benchlog.figures(stage.database, wrong)  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="1 or more"):
        benchlog.runs(stage.database, limit=0)


def test_a_prompt_is_not_flooded_with_readings(stage: Stage, run_id: int) -> None:
    assert repr(benchlog.readings(stage.database, run_id)) == "<48 readings>"


@pytest.mark.parametrize("picture", ["course", "limits", "scatter", "stability"])
def test_a_picture_is_a_figure_with_the_runs_values(
    stage: Stage, run_id: int, picture: str, tmp_path: Path
) -> None:
    figure = benchlog.plot(stage.database, run_id, picture)  # type: ignore[arg-type]
    assert isinstance(figure, mpl.figure.Figure)
    figure.savefig(tmp_path / "drawn.svg")
    assert (tmp_path / "drawn.svg").stat().st_size > 2_000
    if picture == "course":
        y = np.asarray(figure.axes[0].lines[0].get_ydata())
        assert np.nanmean(y) == pytest.approx(-9.25, abs=0.01)
        assert np.count_nonzero(np.isfinite(y)) == 48


def test_what_gives_no_picture_is_told(stage: Stage) -> None:
    empty = stage.play(Scene(readings=0), end=False)
    with pytest.raises(DataError, match="gives no picture 'course'"):
        benchlog.plot(stage.database, empty)
    with pytest.raises(UsageError, match="known: course, limits, scatter, stability"):
        benchlog.plot(stage.database, empty, "histogram")  # type: ignore[arg-type]


def test_the_document_is_what_show_prints(stage: Stage, run_id: int) -> None:
    words = ("show", str(run_id), "--json", "--db", str(stage.database))
    done = run([*PROGRAM, *words], capture_output=True, text=True, check=True)
    found = benchlog.figures(stage.database, run_id).as_dict()
    assert json.loads(done.stdout).keys() == found.keys()
    assert found["schema"] == "show/1"


def test_the_notebook_of_the_manual_runs_cell_by_cell(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for _ in range(2):
        stage.play(SCENE)
    monkeypatch.chdir(stage.database.parent)
    cells = re.findall(r"^```python\n(.*?)^```$", read_page("scripts"), re.M | re.S)
    assert len(cells) == 5
    kept: dict[str, object] = {}
    for cell in cells:
        exec(compile(cell, "scripts.md", "exec"), kept)
    said = capsys.readouterr().out
    assert "2 Q-0417 -9.2" in said and "48 159998" in said and "pass" in said
    assert Path("stability.svg").stat().st_size > 2_000
    assert kept["offsets_ppm"] == [pytest.approx(-9.25, abs=0.01)] * 2
    assert kept["table"].num_rows == 48  # type: ignore[attr-defined]
