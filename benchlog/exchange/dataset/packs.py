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
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Set
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import quote, unquote

from benchlog.exchange.arrow import arrow
from benchlog.exchange.dataset.columns import readings_schema, runs_schema
from benchlog.exchange.dataset.folders import EVERYBODY, Folder
from benchlog.exchange.dataset.parquet_files import (
    MemoryAllowance,
    parquet_file,
    small_file,
)

RUNS: Final = "runs"
READINGS: Final = "readings"
LOTS: Final = "lots"
SHARED: Final = EVERYBODY
_NAME: Final = re.compile(r"(?P<source>[0-9a-f-]{12,36}|all)\.(?P<name>[0-9a-f]{16})")
_FOLDERS: Final = re.compile(
    r"[a-z]+/part=(?P<part>[^/]+)/month=(?P<month>[^/]+)/(?P<file>[^/]+)\.parquet"
)
_ROW_GROUP: Final = 131_072
"""Rows; our rule: small runs come together, and what is in memory stays small."""
RUN_KEY: Final = ("source", "run_uid")
"""Columns that tell a row of the runs in a pack."""
RunKey = tuple[str, str]
Place = tuple[str, str]
"""Part and month of a partition."""
_BEYOND_TIME: Final = 2**63
"""Definition: what a signed count of ns since 1970 ends at, in 2262."""
_LONGEST_FOLDER: Final = 255
"""Bytes; what most file systems take of a folder's name."""


@dataclass(frozen=True, slots=True, order=True)
class Pack:
    """Runs of a part and a month that are in one file, and their readings in another.

    `name` orders packs by when they were written.
    """

    place: Place
    source: str
    name: str

    def file(self, table: str) -> str:
        """Return the name of the file of one of its tables."""
        part, month = self.place
        place = f"{table}/part={quote(part, safe='')}/month={month}"
        return f"{place}/{self.source}.{self.name}.parquet"


def place_fault(part: str) -> str:
    """Return why no folder of a partition can be named by a part; empty where one can.

    No path may differ between file systems: a dataset is copied from one to another.
    """
    if not part:
        return "its part has no name, so a dataset has no folder for it"
    length, most = len(f"part={quote(part, safe='')}"), _LONGEST_FOLDER
    if length > most:
        return (
            f"its part's name takes {length} bytes as a folder, which may have {most}"
        )
    return ""


def packs_of(folder: Folder, table: str = RUNS) -> list[Pack]:
    """Return the packs that have a file of a table, in order; no strangers' files."""
    found = []
    for name in folder.names(table):
        within = _FOLDERS.fullmatch(name)
        named = _NAME.fullmatch(within["file"]) if within else None
        if within and named:
            place = unquote(within["part"]), within["month"]
            found.append(Pack(place, named["source"], named["name"]))
    return sorted(found)


class PackNames:
    """Names for new packs, each after all there are and after the time of day.

    One beyond any time of day was made by somebody else: behind the last of 16 digits
    there is none that anybody would read.
    """

    def __init__(self, packs: Iterable[Pack], utc_ns: int) -> None:
        self._used = {int(pack.name, 16) for pack in packs}
        by_time = (one for one in self._used if one < _BEYOND_TIME)
        self._last = max(utc_ns, *by_time, 0)

    def next(self) -> str:
        """Return a name that is not in use."""
        self._last += 1
        while self._last in self._used:
            self._last += 1
        return f"{self._last:016x}"


# --- reading and writing


def read_runs_of(
    folder: Folder,
    pack: Pack,
    columns: list[str] | None = None,
    allowance: MemoryAllowance | None = None,
) -> Any:
    """Return the runs of a pack, or some of their columns; null what it has not.

    `allowance` as `small_file` has it. Raises as `small_file` does.
    """
    pa, schema = arrow(), runs_schema()
    if columns is not None:
        schema = pa.schema([schema.field(name) for name in columns])
    with small_file(folder, pack.file(RUNS), allowance) as file:
        return as_schema(file.read(schema.names), schema)


def write_pack(folder: Folder, pack: Pack, runs: Any, readings: Iterable[Any]) -> int:
    """Write a pack of a table of runs and of tables of readings; return how many."""
    pa, pq = arrow(), arrow("pyarrow.parquet")
    schema, count = readings_schema(pa), 0
    with (
        folder.written(pack.file(READINGS)) as sink,
        pq.ParquetWriter(sink, schema, compression="zstd") as writer,
    ):
        for table in _together(pa, readings):
            writer.write_table(table)
            count += table.num_rows
    write_table(folder, pack.file(RUNS), as_schema(runs, runs_schema()))
    return count


def write_table(folder: Folder, name: str, table: Any) -> None:
    """Write a table to a file, whole or not at all."""
    sink = arrow().BufferOutputStream()
    arrow("pyarrow.parquet").write_table(table, sink, compression="zstd")
    folder.put(name, sink.getvalue().to_pybytes())


def remove_pack(folder: Folder, pack: Pack) -> None:
    """Remove a pack, the runs first."""
    for table in (RUNS, READINGS):
        folder.remove(pack.file(table))


def remove_strays(folder: Folder, sources: Container[str] | None = None) -> None:
    """Remove readings that no run tells of: what killed exports of sources left."""
    told = set(packs_of(folder))
    for pack in packs_of(folder, READINGS):
        if pack not in told and (sources is None or pack.source in sources):
            folder.remove(pack.file(READINGS))


def drop_runs(
    folder: Folder,
    pack: Pack,
    leaves: Callable[[Mapping[str, Any]], bool],
    names: PackNames,
) -> bool:
    """Write a pack anew without the runs that leave; return whether there were any."""
    table = read_runs_of(folder, pack)
    stays = [not leaves(row) for row in table.to_pylist()]
    if all(stays):
        return False
    if any(stays):
        kept = table.filter(arrow().array(stays))
        fresh = Pack(pack.place, pack.source, names.next())
        keys = {(row["source"], row["run_uid"]) for row in kept.to_pylist()}
        readings = readings_of_pack(folder, pack, keys, fresh.name)
        write_pack(folder, fresh, in_pack(kept, fresh.name), readings)
    remove_pack(folder, pack)
    return True


def readings_of_pack(
    folder: Folder, pack: Pack, runs: Set[RunKey], name: str
) -> Iterator[Any]:
    """Yield the readings of some runs of a pack, as of the pack `name`."""
    pa, compute = arrow(), arrow("pyarrow.compute")
    file_name, schema = pack.file(READINGS), readings_schema(pa)
    if not runs or not folder.has(file_name):
        return
    wanted = pa.array(sorted("".join(key) for key in runs))
    with parquet_file(folder, file_name) as file:
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
