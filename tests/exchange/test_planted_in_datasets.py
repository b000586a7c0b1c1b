"""A dataset's folder filled by somebody else: nothing is written or removed outside."""

import os
from dataclasses import replace

import pyarrow as pa
import pytest
from exchange.factory import bench_database
from pyarrow import parquet as pq
from store.making import PART, begin, rows

from benchlog.clock import VirtualClock
from benchlog.errors import DataError
from benchlog.exchange.dataset.compact import compact
from benchlog.exchange.dataset.read import runs_once
from benchlog.exchange.dataset.write import write_dataset
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    return bench_database(tmp_path_factory.mktemp("bench"), 0, 1, 2)


@pytest.fixture
def export(database, tmp_path):
    def bring(folder=tmp_path / "set"):
        with Reader.open(database) as reader:
            return write_dataset(reader, folder)

    return bring


@pytest.mark.parametrize("name", ["queries.sql", ".lock"])
def test_a_planted_link_leads_no_write_out_of_the_dataset(export, tmp_path, name):
    precious = tmp_path / "precious"
    precious.write_text("kept")
    (tmp_path / "set").mkdir()
    (tmp_path / "set" / name).symlink_to(precious)
    with pytest.raises(DataError, match=f"{name} is a link or no plain file"):
        export()
    assert precious.read_text() == "kept"


def test_a_pipe_in_the_place_of_the_questions_holds_nobody_up(export, tmp_path):
    (tmp_path / "set").mkdir()
    os.mkfifo(tmp_path / "set" / "queries.sql")
    with pytest.raises(DataError, match=r"queries\.sql is a link or no plain file"):
        export()


@pytest.mark.parametrize("depth", [0, 1, 2])
def test_nothing_of_another_folder_is_written_or_removed(export, tmp_path, depth):
    """The partition of one dataset is a link into another, which stays as it is."""
    other = tmp_path / "other"
    export(other)
    before = sorted(other.rglob("*"))
    for table in ("runs", "readings"):
        month = next((other / table).glob("part=*/month=*"))
        there = [other / table, month.parent, month][depth]
        here = tmp_path / "set" / there.relative_to(other)
        here.parent.mkdir(parents=True, exist_ok=True)
        here.symlink_to(there)
    with pytest.raises(DataError, match="leads out of the dataset"):
        export()
    with pytest.raises(DataError, match="leads out of the dataset"):
        compact(tmp_path / "set")
    assert sorted(other.rglob("*")) == before


def test_a_folder_of_something_else_is_refused_with_nothing_written(export, tmp_path):
    """Before, all that lay below was gone through, and `.lock` was left: `/`, a home.

    A part that is named as one of a killed export was removed wherever it lay.
    """
    part = tmp_path / "photos" / ".night.parquet.4242.part"
    part.parent.mkdir()
    part.write_text("kept")
    (tmp_path / "lots").mkdir()
    (tmp_path / "lots" / "of-pictures.parquet").write_text("kept")
    before = sorted(tmp_path.rglob("*"))
    for write in (export, compact):
        with pytest.raises(DataError, match=r"is no dataset, and not empty: .*photos"):
            write(tmp_path)
    assert sorted(tmp_path.rglob("*")) == before


def test_other_files_beside_a_dataset_are_let_be(export, tmp_path):
    folder = tmp_path / "set"
    export(folder)
    other = folder / "notes" / ".night.parquet.4242.part"
    other.parent.mkdir()
    other.write_text("kept")
    assert export(folder).unchanged == 3
    assert other.read_text() == "kept"


def test_what_an_export_leaves_that_was_killed_at_once_is_gone_on_with(
    export, tmp_path
):
    folder = tmp_path / "set"
    (folder / "readings").mkdir(parents=True)
    (folder / ".lock").touch()
    assert export(folder).fresh == 2


@pytest.mark.parametrize("name", ["f" * 16, "7" + "f" * 15])
def test_no_name_of_a_pack_hides_the_runs_of_others(export, tmp_path, name):
    """Before, behind the last name there is came one that nobody reads."""
    folder = tmp_path / "set"
    export(folder)
    (own,) = (folder / "runs").rglob("*.parquet")
    table = pq.ParquetFile(own).read()
    planted = folder / "runs" / "part=x" / "month=2030-01" / f"all.{name}.parquet"
    planted.parent.mkdir(parents=True)
    pq.write_table(table.slice(0, 0), planted)
    for _ in range(3):  # each writes the pack of this database anew
        (own,) = (folder / "runs" / "part=quartz-16mhz").rglob("*.parquet")
        table = pq.ParquetFile(own).read()
        at = table.schema.get_field_index("revision")
        other = pa.array(["other"] * len(table))
        pq.write_table(table.set_column(at, "revision", other), own)
        next((folder / "lots").glob("*.parquet")).unlink()
        assert export(folder).fresh == 2
        assert len(runs_once(folder, ["run"])) == 2


def test_a_run_without_a_time_or_a_name_in_a_dataset_is_brought_anew(export, tmp_path):
    folder = tmp_path / "set"
    export(folder)
    (own,) = (folder / "runs").rglob("*.parquet")
    table = pq.ParquetFile(own).read()
    for column in ("as_of_utc_ns", "revision", "run_uid"):
        at = table.schema.get_field_index(column)
        none = pa.nulls(len(table), table.schema.field(column).type)
        table = table.set_column(at, column, none)
        pq.write_table(table, own)
        next((folder / "lots").glob("*.parquet")).unlink()
        assert export(folder).fresh == 2
        (own,) = (folder / "runs").rglob("*.parquet")
        assert None not in runs_once(folder, ["run_uid"]).column(0).to_pylist()


@pytest.mark.parametrize("part", ["x" * 300, "\u00fc" * 60, ""])
def test_a_part_that_is_no_folders_name_keeps_no_other_run_out(tmp_path, part):
    """Before, the export ended there, or told of a run that no list had."""
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        for one in (replace(PART, id=part), PART):
            run, segment = begin(writer, part=one)
            writer.commit(rows(run, segment, 5))
            writer.end_run(run, "stopped")
    with Reader.open(path) as reader:
        assert write_dataset(reader, tmp_path / "set").runs == 1
        assert "its part" in reader.left_out["run 1"]
    assert runs_once(tmp_path / "set", ["run"]).column(0).to_pylist() == [2]
