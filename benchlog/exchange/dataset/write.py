"""A dataset: many benches' databases as Parquet that one query reads together.

    DIR/runs/part=.../lot=.../day=.../SOURCE.parquet       a row for each run
    DIR/readings/part=.../lot=.../day=.../SOURCE.parquet   a row for each reading
    DIR/lots/SOURCE.parquet                                a row for each lot
    DIR/queries.sql                                        questions, explained

Partition values are percent-encoded, a run without lot is in
`lot=__HIVE_DEFAULT_PARTITION__`, days are UTC. SOURCE is told from the first run of the
database, so exporting a database again replaces its own files and no others. Only what
has changed is written; runs that are still running are left out.
"""

import hashlib
import json
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from benchlog.errors import DataError
from benchlog.exchange.arrow import arrow
from benchlog.exchange.dataset.rows import (
    lot_rows,
    lots_schema,
    readings_of,
    readings_schema,
    run_row,
    runs_schema,
)
from benchlog.model import Run
from benchlog.store.reader import Reader
from benchlog.store.whole_files import finished
from benchlog.units import NS_PER_S
from benchlog.verdict.timebase.check_validity import all_as_known

NO_LOT: Final = "__HIVE_DEFAULT_PARTITION__"
QUERIES: Final = "queries.sql"
SIGNATURE: Final = b"benchlog.signature"
Place = tuple[str, str | None, str]
"""Part, lot and day of a partition."""


@dataclass(slots=True, kw_only=True)
class Written:
    """What an export to a dataset did."""

    source: str
    runs: int = 0
    readings: int = 0
    files: int = 0
    unchanged: int = 0
    left_out: list[int] = field(default_factory=list)


def write_dataset(
    reader: Reader, folder: Path, progress: Callable[[int, int], None] | None = None
) -> Written:
    """Bring a database into a dataset; memory does not grow with its size.

    Raises BenchlogError where pyarrow is missing or a file cannot be written, DataError
    when the database holds no run.
    """
    arrow("pyarrow.parquet")
    written = Written(source=source_of(reader))
    places = _places(reader, written)
    kept = {_write_lots(reader, folder, written)}
    total = sum(len(runs) for runs in places.values())
    for place, runs in places.items():
        kept |= _write_place(reader, folder, (place, runs), written)
        if progress is not None:
            progress(written.runs, total)
    queries = (files("benchlog.exchange.dataset") / QUERIES).read_text("utf-8")
    (folder / QUERIES).write_text(queries, encoding="utf-8")
    for path in folder.glob(f"*/**/{written.source}.parquet"):
        if path not in kept:
            path.unlink()
    return written


def source_of(reader: Reader) -> str:
    """Return what tells a database from others, however it grows or is called."""
    for run in reader.all_runs():
        told = json.dumps([run.started_utc_ns, run.device, dict(run.snapshot)])
        return hashlib.sha256(told.encode()).hexdigest()[:12]
    raise DataError("the database holds no run: there is nothing to export")


def day_of(utc_ns: int) -> str:
    """Return the UTC day, as `2026-11-25`."""
    return datetime.fromtimestamp(utc_ns // NS_PER_S, UTC).strftime("%Y-%m-%d")


def folder_of(table: str, place: Place) -> Path:
    """Return where a partition of a table lies below the dataset's folder."""
    part, lot, day = place
    named = NO_LOT if lot is None else quote(lot, safe="")
    return Path(table) / f"part={quote(part, safe='')}" / f"lot={named}" / f"day={day}"


def _places(reader: Reader, written: Written) -> dict[Place, list[int]]:
    places: defaultdict[Place, list[int]] = defaultdict(list)
    for run in reader.all_runs():
        if run.open:
            written.left_out.append(run.id)
            continue
        began = reader.made_utc_ns(run)[0]
        day = day_of(run.started_utc_ns if began is None else began)
        places[run.part.id, run.lot, day].append(run.id)
    return dict(sorted(places.items(), key=lambda item: (item[0][2], str(item[0]))))


def _write_place(
    reader: Reader,
    folder: Path,
    place_runs: tuple[Place, list[int]],
    written: Written,
) -> set[Path]:
    """Write a partition of runs and of readings; return the files that belong there."""
    place, numbers = place_runs
    name = f"{written.source}.parquet"
    runs = [reader.run(number) for number in numbers]
    suppliers = {lot.part_id: lot for lot in reader.lots(place[1])} if place[1] else {}
    checks = [check for _, check in reader.reference_checks()]
    runs = all_as_known(runs, checks)
    rows = [run_row(reader, run, suppliers.get(run.part.id)) for run in runs]
    paths = {table: folder / folder_of(table, place) / name for table in _TABLES}
    changed = _write_rows(paths["runs"], runs_schema(), rows, written)
    if changed or not paths["readings"].exists():
        with finished(_ready(paths["readings"]), overwrite=True) as path:
            written.readings += _write_readings(reader, runs, path)
        written.files += 1
    else:
        written.unchanged += 1
    written.runs += len(runs)
    return set(paths.values())


_TABLES: Final = ("runs", "readings")


def _write_readings(reader: Reader, runs: Iterable[Run], path: Path) -> int:
    pa, pq = arrow(), arrow("pyarrow.parquet")
    schema = readings_schema(pa)
    count = 0
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for run in runs:
            for arrays in readings_of(pa, reader, run):
                table = pa.table(arrays, schema=schema)
                writer.write_table(table)
                count += table.num_rows
    return count


def _write_lots(reader: Reader, folder: Path, written: Written) -> Path:
    path = folder / "lots" / f"{written.source}.parquet"
    _write_rows(path, lots_schema(), lot_rows(reader), written)
    return path


def _write_rows(
    path: Path, schema: Any, rows: list[dict[str, Any]], written: Written
) -> bool:
    """Write a table of rows unless it stands there already; return whether it was."""
    pa, pq = arrow(), arrow("pyarrow.parquet")
    for row in rows:
        if "source" in schema.names:
            row["source"] = written.source
    said = json.dumps(rows, default=str, sort_keys=True).encode()
    signature = hashlib.sha256(said).hexdigest().encode()
    if (
        path.exists()
        and (pq.read_metadata(path).metadata or {}).get(SIGNATURE) == signature
    ):
        written.unchanged += 1
        return False
    signed = schema.with_metadata({SIGNATURE: signature})
    with finished(_ready(path), overwrite=True) as part:
        table = pa.Table.from_pylist(rows, schema=signed)
        pq.write_table(table, part, compression="zstd")
    written.files += 1
    return True


def _ready(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    return path
