"""The runs of a dataset, each once: of several copies of a run one row counts.

That is the rule of the view `runs` in `queries.sql`: what was measured before what was
imported, then what was told last, then what was written last.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from benchlog.errors import DataError
from benchlog.exchange.arrow import arrow
from benchlog.exchange.dataset.older import old_files, old_runs
from benchlog.exchange.dataset.packs import LOTS, packs_of, read_runs_of

_ORDER: Final = ("run_uid", "imported", "as_of_utc_ns", "pack", "source")
"""Columns that decide which row of a run counts."""
Key = tuple[str, str]
"""Part and lot."""


def runs_once(folder: Path, columns: tuple[str, ...]) -> Iterator[dict[str, Any]]:
    """Yield the runs of a dataset, with those columns and `part`, each once."""
    wanted = [*dict.fromkeys((*columns, *_ORDER))]
    newest: dict[str, tuple[Any, dict[str, Any]]] = {}
    for part, table in _tables(folder, wanted):
        for row in table.to_pylist():
            order = (
                not row["imported"],
                row["as_of_utc_ns"],
                row["pack"],
                row["source"],
            )
            before = newest.get(row["run_uid"])
            if before is None or before[0] < order:
                newest[row["run_uid"]] = order, {**row, "part": part}
    yield from (row for _, row in newest.values())


def _tables(folder: Path, columns: list[str]) -> Iterator[tuple[str, Any]]:
    for pack in packs_of(folder):
        yield pack.place[0], read_runs_of(folder, pack, columns)
    for path in old_files(folder):
        part, table = old_runs(folder, path)
        yield part, table.select(columns)


def lots_once(folder: Path) -> dict[Key, dict[str, Any]]:
    """Return the lots of a dataset; of several databases the first that has a plan.

    Raises DataError when the folder is no dataset, BenchlogError where pyarrow is
    missing.
    """
    pq = arrow("pyarrow.parquet")
    files = sorted((folder / LOTS).glob("*.parquet"))
    if not files:
        raise DataError(
            f"{folder} holds no dataset; `benchlog export --dataset {folder}` makes one"
        )
    found: dict[Key, dict[str, Any]] = {}
    for file in files:
        for row in pq.read_table(file).to_pylist():
            known = found.get((row["part"], row["lot"]))
            if known is None or known["plan"] is None:
                found[row["part"], row["lot"]] = row
    return found
