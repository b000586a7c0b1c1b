"""Lists of a dataset load what they need, and nothing that takes longer."""

import subprocess
import sys

from exchange.factory import bench_database
from store.processes import environment

from benchlog.exchange.dataset.write import write_dataset
from benchlog.store.reader import Reader

HEAVY = {"scipy.stats", "benchlog.evaluation.document", "matplotlib", "duckdb"}


def test_a_list_of_a_dataset_loads_nothing_heavy(tmp_path):
    """One process asks for each; what any of them loads is there at the end."""
    with Reader.open(bench_database(tmp_path, 0, 1, 2)) as reader:
        write_dataset(reader, tmp_path / "set")
    there = ["--dataset", str(tmp_path / "set")]
    asked = [["lots"], ["runs"], ["chips", "--lot", "0-000/a=b"]]
    code = (
        "import sys; from benchlog.cli import root\n"
        f"for words in {asked!r}:\n"
        f"    root([*words, *{there!r}], standalone_mode=False)\n"
        "print('\\n'.join(sys.modules), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    loaded = set(done.stderr.split())
    assert "pyarrow.parquet" in loaded
    assert loaded & HEAVY == set()
