"""The files of a dataset: packs of runs with their readings, whole or not there.

    DIR/runs/part=.../month=.../SOURCE.PACK.parquet       a row for each run
    DIR/readings/part=.../month=.../SOURCE.PACK.parquet   a row for each reading
    DIR/lots/SOURCE.parquet                               a row for each lot

A pack is a file of runs and the file of their readings, under one name that is never
used twice. The readings are written first and removed last, so that whoever looks on
finds the readings of each run he is told of. SOURCE is the UUID of the database, or
`all` where packs of several were brought together.
"""

import re
from collections.abc import Iterable, Iterator, Set
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote, unquote

from benchlog.errors import BenchlogError, DataError
from benchlog.exchange.arrow import arrow
from benchlog.exchange.dataset.own_folder import LOCK, refuse_strange
from benchlog.exchange.dataset.rows import readings_schema, runs_schema
from benchlog.store.snapshot import UNREADABLE
from benchlog.store.whole_files import finished
from benchlog.units import printable

RUNS: Final = "runs"
READINGS: Final = "readings"
LOTS: Final = "lots"
SHARED: Final = "all"
_NAME: Final = re.compile(r"(?P<source>[0-9a-f-]{12,36}|all)\.(?P<name>[0-9a-f]{16})")
_FOLDERS: Final = re.compile(r"part=(?P<part>[^/]+)/month=(?P<month>[^/]+)/")
_ROW_GROUP: Final = 131_072
"""Rows; our rule: small runs come together, and what is in memory stays small."""
_LOCK_WAIT_S: Final = 60.0
RUN_KEY: Final = ("source", "run_uid")
"""Columns that tell a row of the runs in a pack."""
RunKey = tuple[str, str]
Place = tuple[str, str]
"""Part and month of a partition."""


@dataclass(frozen=True, slots=True, order=True)
class Pack:
    """Runs of a part and a month that are in one file, and their readings in another.

    `name` orders packs by when they were written.
    """

    place: Place
    source: str
    name: str

    def path(self, folder: Path, table: str) -> Path:
        """Return the file of one of its tables."""
        part, month = self.place
        place = folder / table / f"part={quote(part, safe='')}" / f"month={month}"
        return place / f"{self.source}.{self.name}.parquet"


def packs_of(folder: Path, table: str = RUNS) -> list[Pack]:
    """Return the packs that have a file of a table, in order; no strangers' files."""
    found = []
    for path in (folder / table).glob("part=*/month=*/*.parquet"):
        within = _FOLDERS.fullmatch(f"{path.parent.relative_to(folder / table)}/")
        named = _NAME.fullmatch(path.stem)
        if within and named:
            place = unquote(within["part"]), within["month"]
            found.append(Pack(place, named["source"], named["name"]))
    return sorted(found)


class PackNames:
    """Names for new packs, each after all there are and after the time of day."""

    def __init__(self, packs: Iterable[Pack], utc_ns: int) -> None:
        self._last = max((int(pack.name, 16) for pack in packs), default=0)
        self._last = max(self._last, utc_ns)

    def next(self) -> str:
        """Return a name that is not in use."""
        self._last += 1
        return f"{self._last:016x}"


@contextmanager
def only_writer(folder: Path) -> Iterator[None]:
    """Hold a dataset against other exports; readers are never held up.

    Raises BenchlogError when another export does not end within a minute, DataError
    when something in the folder leads out of it.
    """
    import filelock  # noqa: PLC0415 - seldom needed

    folder.mkdir(parents=True, exist_ok=True)
    refuse_strange(folder)
    lock = filelock.FileLock(folder / LOCK, timeout=_LOCK_WAIT_S)
    try:
        lock.acquire()
    except TimeoutError:
        raise BenchlogError(
            f"another export is writing to {folder}; try again when it is done"
        ) from None
    try:
        yield
    finally:
        lock.release()


# --- reading and writing


@contextmanager
def parquet_file(path: Path) -> Iterator[Any]:
    """Open a Parquet file to read. Raises DataError when it is damaged."""
    pa, pq = arrow(), arrow("pyarrow.parquet")
    try:
        with pq.ParquetFile(path) as file:
            yield file
    except FileNotFoundError:  # whoever replaces a pack removes the one before
        raise
    except (pa.ArrowException, OSError, *UNREADABLE) as error:
        why = printable((str(error).splitlines() or [repr(error)])[0])
        raise DataError(
            f"{path} is damaged ({why}); move it away, and export its bench again"
        ) from error


def read_runs_of(folder: Path, pack: Pack, columns: list[str] | None = None) -> Any:
    """Return the runs of a pack, or some of their columns; null what it has not."""
    pa, schema = arrow(), runs_schema()
    if columns is not None:
        schema = pa.schema([schema.field(name) for name in columns])
    with parquet_file(pack.path(folder, RUNS)) as file:
        there = set(file.schema_arrow.names)
        found = file.read([n for n in schema.names if n in there])
        found.validate(full=True)  # a text that is no UTF-8 is told here, with its file
        return as_schema(found, schema)


def write_pack(folder: Path, pack: Pack, runs: Any, readings: Iterable[Any]) -> int:
    """Write a pack of a table of runs and of tables of readings; return how many."""
    pa, pq = arrow(), arrow("pyarrow.parquet")
    schema, count = readings_schema(pa), 0
    with (
        finished(_ready(pack.path(folder, READINGS)), overwrite=True) as path,
        pq.ParquetWriter(path, schema, compression="zstd") as writer,
    ):
        for table in _together(pa, readings):
            writer.write_table(table)
            count += table.num_rows
    write_table(pack.path(folder, RUNS), as_schema(runs, runs_schema()))
    return count


def write_table(path: Path, table: Any) -> None:
    """Write a table to a file, whole or not at all."""
    pq = arrow("pyarrow.parquet")
    with finished(_ready(path), overwrite=True) as part:
        pq.write_table(table, part, compression="zstd")


def remove_pack(folder: Path, pack: Pack) -> None:
    """Remove a pack, the runs first, and folders that are empty then."""
    for table in (RUNS, READINGS):
        remove_file(pack.path(folder, table))


def remove_file(path: Path) -> None:
    """Remove a file of a partition, and its folders where nothing else is in them."""
    path.unlink(missing_ok=True)
    with suppress(OSError):
        for parent in path.parents:
            if "=" not in parent.name:
                break
            parent.rmdir()


def readings_of_pack(
    folder: Path, pack: Pack, runs: Set[RunKey], name: str
) -> Iterator[Any]:
    """Yield the readings of some runs of a pack, as of the pack `name`."""
    pa, compute = arrow(), arrow("pyarrow.compute")
    path, schema = pack.path(folder, READINGS), readings_schema(pa)
    if not runs or not path.exists():
        return
    wanted = pa.array(sorted("".join(key) for key in runs))
    with parquet_file(path) as file:
        for batch in file.iter_batches(_ROW_GROUP):
            texts = (batch.column(one).cast(pa.string()) for one in RUN_KEY)
            keys = compute.binary_join_element_wise(*texts, "")
            table = pa.Table.from_batches([batch])
            kept = table.filter(compute.is_in(keys, value_set=wanted))
            if kept.num_rows:
                yield as_schema(in_pack(kept, name), schema)


def in_pack(table: Any, name: str) -> Any:
    """Return a table as of the pack `name`."""
    pa = arrow()
    at = table.schema.get_field_index("pack")
    told = pa.repeat(pa.scalar(name), table.num_rows)
    if at < 0:
        return table.append_column("pack", told)
    return table.set_column(at, "pack", told)


def as_schema(table: Any, schema: Any) -> Any:
    """Return a table with the columns of a schema; null where it has none."""
    pa = arrow()
    columns = [
        table.column(field.name).cast(field.type)
        if field.name in table.column_names
        else pa.nulls(table.num_rows, field.type)
        for field in schema
    ]
    return pa.table(columns, schema=schema)


def _together(pa: Any, tables: Iterable[Any]) -> Iterator[Any]:
    """Yield tables with the rows of several: small runs make no small groups."""
    waiting: list[Any] = []
    rows = 0
    for table in tables:
        waiting.append(table)
        rows += table.num_rows
        if rows >= _ROW_GROUP:
            yield pa.concat_tables(waiting).unify_dictionaries()
            waiting, rows = [], 0
    if waiting:
        yield pa.concat_tables(waiting).unify_dictionaries()


def _ready(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    return path
