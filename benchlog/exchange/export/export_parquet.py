"""A run as Parquet: typed readings, and in the metadata all that belongs to them.

`utc_ns` and `frequency_hz` are exact; `utc` (microseconds) and `offset_raw_ppm` are
there for whoever queries the file. Under the key `benchlog.header` is what the run was
begun with, as JSON; under `benchlog.rows` its events, conditions, edges, verdicts and
amendments, JSON lines packed with zlib (RFC 1950); under `benchlog.sha256` the check
sum of readings and rows. With them the run can be imported.
"""

import json
import zlib
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any, Final

import numpy as np

from benchlog.exchange.arrow import arrow
from benchlog.exchange.checksum import COLUMNS, ColumnSum
from benchlog.exchange.export.exported_fields import Sent, header_of, others_of
from benchlog.exchange.export.reading_chunks import Chunk, chunks_of
from benchlog.model import Run
from benchlog.store.reader import Reader

HEADER_KEY: Final = b"benchlog.header"
ROWS_KEY: Final = b"benchlog.rows"
SUM_KEY: Final = b"benchlog.sha256"
CHUNK: Final = 200_000
"""Readings of a row group; our rule: a third of them makes the file a tenth larger."""


def write_parquet(reader: Reader, run: Run, path: Path, sent: Sent) -> None:
    """Write a run to a file; `sent` counts what went out.

    Memory does not grow with the length of the run. Raises BenchlogError where pyarrow
    is missing.
    """
    pa, pq = arrow(), arrow("pyarrow.parquet")
    header = json.dumps(header_of(reader, run), allow_nan=False).encode()
    schema = reading_schema(pa).with_metadata({HEADER_KEY: header})
    total = ColumnSum()
    with (
        pq.ParquetWriter(path, schema, compression="zstd") as writer,
        ThreadPoolExecutor(1) as pool,
    ):
        waiting: Future[None] | None = None
        for chunk in chunks_of(reader, run, CHUNK):
            table = pa.table(arrays_of(pa, chunk, run), schema=schema)
            if waiting is not None:
                waiting.result()
            waiting = pool.submit(writer.write_table, table)  # while the next is read
            _summed(total, chunk)
            sent.more(len(chunk.columns))
        if waiting is not None:
            waiting.result()
        rows = packed(_counted(others_of(reader, run.id), sent))
        found = total.text(header + rows).encode()
        writer.add_key_value_metadata({ROWS_KEY: rows, SUM_KEY: found})


def _summed(total: ColumnSum, chunk: Chunk) -> None:
    numbers = {name: getattr(chunk.columns, name) for name in COLUMNS}
    ids = chunk.columns.id.tolist() if chunk.raw else ()
    total.add_readings(numbers, map(chunk.raw.get, ids))


def _counted(
    rows: Iterator[tuple[str, dict[str, Any]]], sent: Sent
) -> Iterator[tuple[str, dict[str, Any]]]:
    for name, fields in rows:
        sent.other(name)
        yield name, fields


def reading_schema(pa: Any) -> Any:
    """Return the columns of readings."""
    return pa.schema(
        [
            pa.field("reading", pa.int64(), nullable=False),
            pa.field("segment", pa.int64(), nullable=False),
            pa.field("utc", pa.timestamp("us", tz="UTC")),
            pa.field("utc_ns", pa.int64()),
            pa.field("mono_ns", pa.int64(), nullable=False),
            pa.field("gate_s", pa.float64(), nullable=False),
            pa.field("frequency_hz", pa.float64(), nullable=False),
            pa.field("ambient_c", pa.float64()),
            pa.field("flags", pa.int64(), nullable=False),
            pa.field("offset_raw_ppm", pa.float64(), nullable=False),
            pa.field("raw", pa.string()),
        ]
    )


def arrays_of(pa: Any, chunk: Chunk, run: Run) -> dict[str, Any]:
    """Return the columns of `reading_schema` as arrays; unknown is null."""
    columns, raw, undated = chunk.columns, chunk.raw, chunk.undated
    with np.errstate(over="ignore"):  # a stored number may be absurd; it goes out as is
        hertz = columns.frequency_hz * run.divider
        raw_ppm = (hertz - run.nominal_hz) / run.nominal_hz * 1e6
    texts = [raw.get(one) for one in columns.id.tolist()] if raw else None
    return {
        "reading": pa.array(columns.id),
        "segment": pa.array(columns.segment),
        "utc": pa.array(
            columns.utc_ns // 1_000, pa.timestamp("us", tz="UTC"), mask=undated
        ),
        "utc_ns": pa.array(columns.utc_ns, mask=undated),
        "mono_ns": pa.array(columns.mono_ns),
        "gate_s": pa.array(columns.gate_s),
        "frequency_hz": pa.array(columns.frequency_hz),
        "ambient_c": pa.array(columns.ambient_c, mask=np.isnan(columns.ambient_c)),
        "flags": pa.array(columns.flags),
        "offset_raw_ppm": pa.array(raw_ppm),
        "raw": pa.nulls(len(columns), pa.string())
        if texts is None
        else pa.array(texts),
    }


def packed(rows: Iterator[tuple[str, dict[str, Any]]]) -> bytes:
    """Return named rows as JSON lines, packed."""
    packer = zlib.compressobj()
    parts = [
        packer.compress(
            (json.dumps({"row": name, **fields}, allow_nan=False) + "\n").encode()
        )
        for name, fields in rows
    ]
    return b"".join(parts) + packer.flush()
