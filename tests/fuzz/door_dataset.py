"""A dataset of Parquet files that a stranger's program changed, and lists of it."""

import contextlib
import json
import random
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa
from click.testing import CliRunner
from exchange.factory import bench_database
from fuzz.damaged_databases import ODD, damages
from fuzz.loop import MEMORY, Door
from pyarrow import parquet as pq

from benchlog.cli import root
from benchlog.exchange.dataset.write import write_dataset
from benchlog.store.reader import Reader


@contextlib.contextmanager
def door() -> Iterator[Door]:
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        folder = Path(name)
        with Reader.open(bench_database(folder, 1, 2, 2)) as reader:
            write_dataset(reader, folder / "whole")
        given = folder / "given"

        def enter(data: bytes) -> str:
            shutil.rmtree(given, ignore_errors=True)
            shutil.copytree(folder / "whole", given)
            for change in damages(data):
                with contextlib.suppress(*_UNFIT):
                    _changed(given, *change)
            said = [_told(line, given) for line in LINES]
            return "".join(said).replace(str(folder), "")

        yield Door(name="dataset", enter=enter, make=made, slowest_s=5.0)


LINES = (("lots",), ("runs",), ("chips", "--lot", "1-000/a=b"))


def _told(line: tuple[str, ...], given: Path) -> str:
    done = CliRunner().invoke(root, [*line, "--dataset", str(given)])
    assert "something unexpected" not in done.stderr, done.stderr
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    return str(done.stderr)


_UNFIT = (
    *(pa.ArrowException, ValueError, TypeError, KeyError, IndexError, OverflowError),
    *(AttributeError, ZeroDivisionError, OSError),
)
"""What comes of a recipe that names what there is not."""


def _changed(given: Path, how: str, file: int, *told: Any) -> None:
    """Change a value of a table, or an octet of a file of Parquet."""
    files = sorted(
        one for one in given.rglob("*.parquet") if "readings" not in str(one)
    )
    path = files[file % len(files)]
    if how == "octet":
        data = bytearray(path.read_bytes())
        data[told[0] % len(data)] = told[1] % 256
        path.write_bytes(data)
        return
    table = pq.ParquetFile(path).read()
    column, row, value = told
    name = table.column_names[column % table.num_columns]
    if how == "gone":
        pq.write_table(table.drop_columns([name]), path)
        return
    rows = table.to_pylist()
    if isinstance(value, list | dict):
        value = json.dumps(value)
    rows[row % len(rows)][name] = value
    kept = pa.schema(
        [one for one in table.schema if one.name != name or how == "value"]
    )
    kinds = {} if how == "value" else {name: pa.array([r[name] for r in rows])}
    changed = pa.Table.from_pylist(rows, schema=kept)
    for added, array in kinds.items():
        changed = changed.append_column(added, array)
    pq.write_table(changed, path)


def made(rng: random.Random) -> bytes:
    """Make a recipe of one to three changes."""
    found = []
    for _ in range(rng.choice((1, 1, 3))):
        file = rng.randrange(8)
        if rng.random() < 0.3:
            found.append(["octet", file, rng.randrange(2**16), rng.randrange(256)])
            continue
        how = rng.choice(("value", "value", "value", "kind", "gone"))
        found.append([how, file, rng.randrange(40), rng.randrange(4), rng.choice(ODD)])
    return b"\n".join(json.dumps(one).encode() for one in found)
