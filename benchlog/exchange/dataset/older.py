"""Datasets of the older form: read, brought into this form, and then let go.

    DIR/runs/part=.../lot=.../day=.../SOURCE.parquet       and readings/... likewise

There runs have no UUID, and SOURCE was told from the first run of a database. Such a
run gets one here from when it was begun, and with which device at which position: the
same for all copies of it. Once its own database is exported, the row that came from
there takes its place.
"""

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Set
from typing import Any, Final
from urllib.parse import unquote
from uuid import UUID, uuid5

from benchlog.exchange.arrow import arrow
from benchlog.exchange.dataset.columns import readings_schema, runs_schema, week_of
from benchlog.exchange.dataset.folders import Folder
from benchlog.exchange.dataset.packs import (
    READINGS,
    RUNS,
    Pack,
    PackNames,
    as_schema,
    drop_runs,
    in_pack,
    packs_of,
    write_pack,
)
from benchlog.exchange.dataset.parquet_files import (
    MemoryAllowance,
    parquet_file,
    small_file,
)
from benchlog.model import Run

NO_LOT: Final = "__HIVE_DEFAULT_PARTITION__"
_FILE: Final = re.compile(
    r"[a-z]+/part=([^/]+)/lot=([^/]+)/day=([^/]+)/([0-9a-f]{12})\.parquet"
)
_OLD_SOURCE: Final = re.compile(r"[0-9a-f]{12}")
_OLD_RUNS: Final = UUID("2b0d6a52-7c1e-5e0f-9a4b-6d1f6c1b7a12")
_MONTH: Final = len("2026-11")
Key = tuple[int | None, str, str]
"""When a run was begun, which device as typed, at which position."""


def is_of_before(folder: Folder) -> bool:
    """Whether there is anything of the older form, or that was converted from it."""
    return bool(old_files(folder)) or any(
        _OLD_SOURCE.fullmatch(pack.source) for pack in packs_of(folder)
    )


def old_files(folder: Folder) -> list[str]:
    """Return the files of runs that are of the older form, in order."""
    return [name for name in folder.names(RUNS) if _FILE.fullmatch(name)]


def old_runs(
    folder: Folder, name: str, allowance: MemoryAllowance | None = None
) -> tuple[str, Any]:
    """Return part and runs of a file of the older form, as a table of this form."""
    pa, schema = arrow(), runs_schema()
    with small_file(folder, name, allowance) as file:
        rows = as_schema(file.read(), schema).to_pylist()
    part, lot, day, source = _place(name)
    for row in rows:
        began = row["started_utc_ns"]
        row.update(
            run_uid=_uid_of(row),
            source=source,
            pack="",
            lot=lot,
            day=day,
            week=None if began is None else week_of(began),
            as_of_utc_ns=began or 0,
        )
    return part, pa.Table.from_pylist(rows, schema=schema)


def convert(folder: Folder, utc_ns: int) -> None:
    """Bring the files of the older form into this one, each pair whole or not at all.

    `utc_ns` is the time of day. What was read again after a crash is there once: a run
    has the same UUID again.
    """
    pa = arrow()
    by_pack: defaultdict[tuple[tuple[str, str], str], list[str]] = defaultdict(list)
    for file in old_files(folder):
        part, _, day, source = _place(file)
        by_pack[(part, day[:_MONTH]), source].append(file)
    names = PackNames(packs_of(folder), utc_ns)
    for (place, source), found in by_pack.items():
        name = names.next()
        tables = [in_pack(old_runs(folder, file)[1], name) for file in found]
        readings = (one for file in found for one in _old_readings(folder, file, name))
        pack = Pack(place, source, name)
        write_pack(folder, pack, pa.concat_tables(tables), readings)
        for file in found:
            folder.remove(file)
            folder.remove(_beside(file))


def drop_known(folder: Folder, keys: Set[Key], names: PackNames) -> None:
    """Take runs that came from the older form out, where they are there by now."""
    for pack in packs_of(folder):
        if not _OLD_SOURCE.fullmatch(pack.source):
            continue
        drop_runs(folder, pack, lambda row: _key(row) in keys, names)


def key_of_run(run: Run, began_utc_ns: int | None) -> Key:
    """Return what tells a run, of which the readings began then, without its UUID."""
    return began_utc_ns, run.typed_device or run.device, run.position


def _key(row: Mapping[str, Any]) -> Key:
    device = row["device_typed"] or row["device"]
    return row["started_utc_ns"], device, row["position"]


def _uid_of(row: dict[str, Any]) -> str:
    return str(uuid5(_OLD_RUNS, repr(_key(row))))


def _place(file: str) -> tuple[str, str | None, str, str]:
    """Return part, lot, day and source of a file."""
    found = _FILE.fullmatch(file)
    told = map(unquote, found.groups()) if found else ("", NO_LOT, "", "")
    part, lot, day, source = told
    return part, None if lot == NO_LOT else lot, day, source


def _beside(file: str) -> str:
    """Return the file of the readings of a file of runs."""
    return READINGS + file.removeprefix(RUNS)


def _old_readings(folder: Folder, file: str, name: str) -> Iterator[Any]:
    """Yield the readings that belong to a file of runs as tables of this form."""
    pa = arrow()
    readings = _beside(file)
    if not folder.has(readings):
        return
    runs = {row["run"]: row for row in old_runs(folder, file)[1].to_pylist()}
    with parquet_file(folder, readings) as opened:
        for batch in opened.iter_batches():
            numbers = batch.column("run").to_pylist()
            table = pa.Table.from_batches([batch])
            for column in ("source", "run_uid", "lot", "day"):
                told = [runs[n][column] if n in runs else None for n in numbers]
                table = table.append_column(column, pa.array(told, pa.string()))
            yield as_schema(in_pack(table, name), readings_schema(pa))
