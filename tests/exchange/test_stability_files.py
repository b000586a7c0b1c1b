"""Stability tables as files: the same in every format, whole or not at all."""

import csv
import json

import pyarrow.parquet as pq
import pytest
from pages.page_making import fresh, series, write_run

from benchlog.errors import DataError, UsageError
from benchlog.exchange.export.run_export import export_stability
from benchlog.store.reader import Reader


@pytest.fixture
def reader(tmp_path):
    with fresh(tmp_path) as writer:
        write_run(writer, series(300))
        write_run(writer, ())
    with Reader.open(tmp_path / "pages.db") as reader:
        yield reader


def test_stability_tables_say_the_same_in_every_format(reader, tmp_path):
    paths = {kind: tmp_path / f"s.{kind}" for kind in ("csv", "jsonl", "parquet")}
    counts = {
        kind: export_stability(reader, 1, kind, path) for kind, path in paths.items()
    }
    assert len(set(counts.values())) == 1
    text = [r for r in paths["csv"].read_text().splitlines() if not r.startswith("#")]
    by_csv = list(csv.DictReader(text))
    by_json = [json.loads(r) for r in paths["jsonl"].read_text().splitlines()][1:]
    by_parquet = pq.read_table(paths["parquet"]).to_pylist()
    assert by_json == by_parquet
    values = [float(r["value"]) if r["value"] else None for r in by_csv]
    assert values == [r["value"] for r in by_json]
    assert {r["kind"] for r in by_json} == {"adev", "mdev", "tdev", "hdev"}


def test_a_stability_table_is_not_made_of_nothing(reader, tmp_path):
    out = tmp_path / "s.csv"
    with pytest.raises(DataError):
        export_stability(reader, 2, "csv", out)
    assert not out.exists()
    export_stability(reader, 1, "csv", out)
    with pytest.raises(UsageError, match="exists"):
        export_stability(reader, 1, "csv", out)
