"""The runs of a dataset, each once: of several copies of a run one row counts.

That is the rule of the view `runs` in `queries.sql`: what was measured before what was
imported, then what was told last, then what was written last.
"""

from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import numpy as np

from benchlog.errors import DataError
from benchlog.exchange.arrow import arrow
from benchlog.exchange.dataset.older import old_files, old_runs
from benchlog.exchange.dataset.packs import (
    LOTS,
    packs_of,
    parquet_file,
    read_runs_of,
)

_ORDER: Final = (
    ("run_uid", "ascending"),
    ("imported", "ascending"),
    ("as_of_utc_ns", "descending"),
    ("pack", "descending"),
    ("source", "descending"),
)
"""What decides which row of a run counts: the first in this order."""
_LOOKS: Final = 5  # our rule: an export replaces a pack in some milliseconds
Key = tuple[str, str]
"""Part and lot."""


def runs_once(folder: Path, columns: Sequence[str]) -> Any:
    """Return the runs of a dataset, each once, as a table of those columns and `part`.

    Raises DataError when the folder is no dataset, BenchlogError where pyarrow is
    missing.
    """
    pa = arrow()
    wanted = [*dict.fromkeys((*columns, *(name for name, _ in _ORDER)))]
    tables = _patiently(folder, wanted)
    if not tables:
        raise _no_dataset(folder)
    table = pa.concat_tables(tables).sort_by(list(_ORDER))
    uids = table.column("run_uid").to_numpy()
    first = np.ones(len(uids), dtype=bool)
    first[1:] = uids[1:] != uids[:-1]
    return table.filter(pa.array(first)).select([*columns, "part"])


def _patiently(folder: Path, columns: list[str]) -> list[Any]:
    """Read again where an export replaces a pack between looking and reading."""
    for _ in range(_LOOKS - 1):
        with suppress(FileNotFoundError):
            return list(_tables(folder, columns))
    return list(_tables(folder, columns))


def _tables(folder: Path, columns: list[str]) -> Iterator[Any]:
    found = [(p.place[0], read_runs_of(folder, p, columns)) for p in packs_of(folder)]
    for path in old_files(folder):
        part, table = old_runs(folder, path)
        found.append((part, table.select(columns)))
    pa = arrow()
    for part, table in found:
        told = pa.repeat(pa.scalar(part), table.num_rows)
        yield table.append_column("part", told)


def lots_once(folder: Path) -> dict[Key, dict[str, Any]]:
    """Return the lots of a dataset; of several databases the first that has a plan.

    Raises as `runs_once` does.
    """
    files = sorted((folder / LOTS).glob("*.parquet"))
    if not files:
        raise _no_dataset(folder)
    found: dict[Key, dict[str, Any]] = {}
    for path in files:
        with parquet_file(path) as file:
            rows = file.read().to_pylist()
        for row in rows:
            known = found.get((row["part"], row["lot"]))
            if known is None or known["plan"] is None:
                found[row["part"], row["lot"]] = row
    return found


def _no_dataset(folder: Path) -> DataError:
    return DataError(
        f"{folder} holds no dataset; `benchlog export --dataset {folder}` makes one"
    )
