"""The shipped questions over an object store: each engine answers what DuckDB does.

DuckDB on a folder is what the others are held to. Engines other than it are not among
the test requirements: `BENCHLOG_ENGINES_PYTHON` names the interpreter of an environment
that has datafusion, chdb or pyspark (with a Java runtime); what it lacks is skipped.
"""

import contextlib
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pytest
from exchange import engines
from exchange.factory import bench_database
from exchange.object_store import KEYS
from store.processes import environment
from tiers import seldom

from benchlog.exchange.dataset import spark_tables
from benchlog.exchange.dataset.write import write_dataset
from benchlog.store.reader import Reader

PYTHON = os.environ.get("BENCHLOG_ENGINES_PYTHON", sys.executable)
PROGRAM = Path(__file__).with_name("engines.py")
MODULES = {
    "duckdb": "duckdb",
    "datafusion": "datafusion",
    "clickhouse": "chdb",
    "spark": "pyspark",
}
LIMIT_S = 240.0  # Spark takes half a minute to start on a busy machine
_LINE = re.compile(r"^(\w+) +(.+?) +(\d+ rows [0-9a-f]{12})$", re.MULTILINE)


@pytest.fixture(scope="module")
def stored(tmp_path_factory, store):
    """Return a folder, and the port of a store that has the same dataset."""
    folder = tmp_path_factory.mktemp("engines")
    with pytest.MonkeyPatch.context() as patch:
        for name, value in KEYS.items():
            patch.setenv(name, value)
        for bench in range(2):
            path = bench_database(folder, bench, 2, 3)
            for where in (folder / "set", store.address("engines/set")):
                with Reader.open(path) as reader:
                    write_dataset(reader, where)
        yield folder / "set", store.port


def answers(engine: str, *where: str) -> dict[str, str]:
    """Return rows and check sum by question, as a process of its own finds them."""
    done = subprocess.run(
        [PYTHON, str(PROGRAM), *where, engine, "--once"],
        env={**environment(), **KEYS},
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2_000:]
    return {name: told for _, name, told in _LINE.findall(done.stdout)}


def lacks(engine: str) -> str:
    """Return what is missing for an engine; empty where it can be asked."""
    module = MODULES[engine]
    found = f"import importlib.util as u; exit(u.find_spec('{module}') is None)"
    if subprocess.run([PYTHON, "-c", found], check=False).returncode:
        return f"{module} is not installed; BENCHLOG_ENGINES_PYTHON names where it is"
    if engine == "spark" and shutil.which("java") is None:
        return "there is no Java runtime"
    return ""


@pytest.fixture(scope="module")
def wanted(stored):
    """Return what DuckDB tells of the folder."""
    folder, _ = stored
    with contextlib.chdir(folder):
        found = told_here(str(folder), None)
    assert found["yield_per_week"] != "0 rows e3b0c44298fc"
    assert len(found) == 5
    return found


def told_here(where: str, port: int | None) -> dict[str, str]:
    found = engines.told(engines.opened_duckdb(where, port))
    return {view: rows.strip() for view, rows in found.items()}


def test_duckdb_answers_over_a_store_what_it_does_on_a_folder(
    stored, wanted, monkeypatch
):
    for name, value in KEYS.items():
        monkeypatch.setenv(name, value)
    assert told_here("engines/set", stored[1]) == wanted


@pytest.mark.parametrize(
    "engine", [seldom(one) if one == "duckdb" else one for one in MODULES]
)
def test_an_engine_answers_over_a_store_what_duckdb_does_on_a_folder(
    engine, stored, wanted
):
    """As a process of its own: each engine, where it is."""
    if why := lacks(engine):
        pytest.skip(why)
    assert answers(engine, "engines/set", "--store", str(stored[1])) == wanted


ROWS = {"run_copies": 12, "reading_copies": 48, "lot_copies": 4}


@pytest.mark.parametrize("table", ROWS)
def test_the_tables_for_spark_have_all_that_the_store_has(table, stored, monkeypatch):
    folder, port = stored
    for name, value in KEYS.items():
        monkeypatch.setenv(name, value)
    store = f"s3://factory/engines/set?endpoint_override=127.0.0.1:{port}&scheme=http"
    there, here = (rows_of(one, table) for one in (store, str(folder)))
    assert len(there) == ROWS[table]
    assert there == here
    columns = spark_tables.files_of(store, table)[1]
    declared = spark_tables.in_spark(columns)
    assert re.findall(r"`(\w+)` ", declared) == columns.names
    assert table == "lot_copies" or {"part", "month"} <= set(columns.names)


def rows_of(address: str, table: str) -> list[str]:
    """Return the rows in an order of their own, without what is named once."""
    files, columns = spark_tables.files_of(address, table)
    rows = [
        {name: value for name, value in row.items() if name not in ("pack", "revision")}
        for file in files
        for batch in spark_tables.batches_of(address, table, file, columns)
        for row in batch.to_pylist()
    ]
    return sorted(map(repr, rows))


def test_a_file_of_an_older_version_lacks_a_column_and_hides_none(tmp_path):
    from pyarrow import parquet

    place = tmp_path / "runs" / "part=1e5" / "month=2030-03"
    place.mkdir(parents=True)
    parquet.write_table(pa.table({"run": [1]}), place / "a.parquet")
    newer = {"run": [2], "bench": pa.array(["B"]).dictionary_encode()}
    parquet.write_table(pa.table(newer), place / "b.parquet")
    files, columns = spark_tables.files_of(str(tmp_path), "run_copies")
    rows = [
        row
        for file in files
        for batch in spark_tables.batches_of(str(tmp_path), "run_copies", file, columns)
        for row in batch.to_pylist()
    ]
    where = {"part": "1e5", "month": "2030-03"}
    assert rows == [
        {"run": 1, "bench": None, **where},
        {"run": 2, "bench": "B", **where},
    ]
    assert "`part` string" in spark_tables.in_spark(columns)


def test_a_column_that_no_dataset_has_is_named():
    with pytest.raises(ValueError, match="'odd'"):
        spark_tables.in_spark(pa.schema([("odd", pa.duration("s"))]))
