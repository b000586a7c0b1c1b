"""Words that are none, in what a stranger's program changed: told with file or run."""

import json
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner
from exchange.factory import bench_database
from pyarrow import Table
from pyarrow import parquet as pq

from benchlog.cli import root
from benchlog.clock import VirtualClock
from benchlog.errors import DataError
from benchlog.exchange.dataset.write import write_dataset
from benchlog.exchange.export.run_export import export_run
from benchlog.exchange.import_file import import_file
from benchlog.exchange.import_options import ImportOptions
from benchlog.store import sqlite
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

LOT = "0-000/a=b"
NO_WORD = '[1, "a", null]'


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    return bench_database(tmp_path, 0, 2, 3)


@pytest.fixture
def dataset(bench: Path, tmp_path: Path) -> Path:
    with Reader.open(bench) as reader:
        write_dataset(reader, tmp_path / "set")
    return tmp_path / "set"


def change(dataset: Path, table: str, **columns: str) -> None:
    """Put words into the first row of the first file of a table."""
    path = min((dataset / table).rglob("*.parquet"))
    with pq.ParquetFile(path) as file:
        found = file.read()
    rows = found.to_pylist()
    rows[0].update(columns)
    pq.write_table(Table.from_pylist(rows, schema=found.schema), path)


def told(*line: object) -> tuple[int, str, str]:
    done = CliRunner().invoke(root, [str(word) for word in line])
    assert "something unexpected" not in done.stderr, done.stderr
    return done.exit_code, done.stdout, done.stderr


@pytest.mark.parametrize(
    ("command", "column", "word"),
    [
        ("runs", "verdict", NO_WORD),
        ("runs", "purpose", ""),
        ("chips", "verdict", "Pass"),
        ("chips", "timebase", "sure"),
    ],
)
def test_a_run_of_a_dataset_with_a_word_that_is_none_is_named(
    command, column, word, dataset
):
    change(dataset, "runs", **{column: word})
    lot = ("--lot", LOT) if command == "chips" else ()
    code, out, err = told(command, *lot, "--dataset", dataset, "--json")
    assert code == 0
    assert "run 1 of " in err and column in err
    if command == "runs":
        listed = [row["run"] for row in json.loads(out)]
        assert sorted(listed) == [2, 3, 4, 5, 6]


@pytest.mark.parametrize(
    ("table", "column"), [("runs", "verdict"), ("lots", "decision")]
)
def test_a_lot_of_a_dataset_with_a_word_that_is_none_is_named(table, column, dataset):
    change(dataset, table, **{column: NO_WORD})
    code, out, err = told("lots", "--dataset", dataset, "--json")
    assert code == 0
    assert f"lot {LOT}" in err and column in err
    assert [lot["lot"] for lot in json.loads(out)] == ["0-001/a=b"]


def test_a_run_of_a_database_with_a_verdict_that_is_none_is_named(bench):
    with closing(sqlite.connect_to_write(bench)) as connection:
        connection.execute("drop trigger if exists verdicts_keep_on_update")
        connection.execute("update verdicts set word = 'maybe' where run_id = 1")
    for line in (("lots",), ("runs",), ("chips", "--lot", LOT)):
        code, _, err = told(*line, "--db", bench)
        assert code == 0
        assert "run 1" in err and "verdict" in err and "maybe" in err, err


def test_an_export_with_a_verdict_that_is_none_is_damaged(bench, tmp_path):
    path = tmp_path / "1.jsonl"
    with Reader.open(bench) as reader:
        export_run(reader, 1, "jsonl", path)
    text = path.read_text()
    rows = [json.loads(line) for line in text.splitlines()]
    word = next(row["word"] for row in rows if row["row"] == "verdict")
    path.write_text(text.replace(f'"word": "{word}"', '"word": "maybe"'))
    with Writer.open(tmp_path / "there.db", VirtualClock()) as writer:
        try:
            done = import_file(path, writer, VirtualClock(), ImportOptions())
        except DataError as error:
            assert "verdict" in str(error)
            return
        with Reader.open(writer.path) as reader:
            assert reader.run(done.run).verdict != "maybe"
            assert all(one.word != "maybe" for one in reader.verdicts(done.run))
