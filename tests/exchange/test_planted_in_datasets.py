"""A dataset's folder filled by somebody else: nothing is written or removed outside."""

import os

import pytest
from exchange.factory import bench_database

from benchlog.errors import DataError
from benchlog.exchange.dataset.compact import compact
from benchlog.exchange.dataset.write import write_dataset
from benchlog.store.reader import Reader


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
