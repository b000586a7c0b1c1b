"""Reading back the Parquet files that `export` wrote."""

import json
import math
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from benchlog.errors import DataError
from benchlog.exchange.arrow import arrow
from benchlog.exchange.checksum import COLUMNS, ColumnSum
from benchlog.exchange.export.export_parquet import (
    HEADER_KEY,
    ROWS_KEY,
    SUM_KEY,
    UNDATED,
)
from benchlog.exchange.reimport.export_reader import (
    DAMAGE,
    Altered,
    Found,
    Intact,
    Logged,
    checked_header,
    noun_of,
)
from benchlog.model import Flag, Reading
from benchlog.units import printable

MAGIC: Final = b"PAR1"
_MOST_UNPACKED: Final = 2**31
_DAMAGED: Final = (ValueError, TypeError, KeyError, AttributeError, OverflowError)
"""Columns that are missing or of another kind."""
_COLUMNS: Final = (*COLUMNS, "raw")


def is_parquet(path: Path) -> bool:
    """Whether a file begins as Parquet does."""
    try:
        with path.open("rb") as stream:
            return stream.read(len(MAGIC)) == MAGIC
    except OSError:
        return False


def read_parquet(path: Path) -> Iterator[Found]:
    """Yield what an export holds, its header first.

    Raises DataError when the file is damaged or not an export of ours, BenchlogError
    where pyarrow is missing.
    """
    pa, pq = arrow(), arrow("pyarrow.parquet")
    try:
        with pq.ParquetFile(path) as file:
            metadata = file.metadata.metadata or {}
            yield checked_header(_header(path, metadata))
            total = ColumnSum()
            for batch in file.iter_batches(columns=list(_COLUMNS)):
                _summed(total, batch)
                yield from _readings(batch)
            yield from _rows(metadata)
            said = metadata.get(SUM_KEY)
            rest = metadata[HEADER_KEY] + metadata.get(ROWS_KEY, b"")
            if said is not None:
                fits = said == total.text(rest).encode()
                yield Intact() if fits else Altered()
    except (pa.ArrowException, OSError, *_DAMAGED) as error:
        why = printable((str(error).splitlines() or [repr(error)])[0])
        raise DataError(f"{path} cannot be read as Parquet: {why}") from error


def _header(path: Path, metadata: dict[bytes, bytes]) -> dict[str, Any]:
    if HEADER_KEY not in metadata:
        raise DataError(
            f"{path} is Parquet, but no export of a run: only such files and text can "
            "be imported"
        )
    try:
        header = json.loads(metadata[HEADER_KEY])
    except ValueError as error:
        raise DataError(f"{path}: the head of the export is damaged") from error
    return header if isinstance(header, dict) else {}


def _summed(total: ColumnSum, batch: Any) -> None:
    unknown = {"utc_ns": UNDATED, "ambient_c": math.nan}
    numbers = {
        name: batch.column(name).fill_null(unknown.get(name, 0)).to_numpy(False)
        for name in COLUMNS
    }
    raw = batch.column("raw")
    texts = [None] * len(raw) if raw.null_count == len(raw) else raw.to_pylist()
    total.add_readings(numbers, texts)


def _readings(batch: Any) -> Iterator[Logged]:
    columns = [batch.column(name).to_pylist() for name in _COLUMNS]
    for segment, utc, mono, gate, hertz, ambient, flags, raw in zip(
        *columns, strict=True
    ):
        reading = Reading(utc, mono, gate, hertz, ambient, Flag(flags), raw)
        yield Logged(segment, reading)


def _rows(metadata: dict[bytes, bytes]) -> Iterator[Found]:
    unpacker = zlib.decompressobj()
    try:
        text = unpacker.decompress(metadata.get(ROWS_KEY, b""), _MOST_UNPACKED)
        for line in text.decode().splitlines():
            fields = json.loads(line)
            yield noun_of(fields.pop("row"), fields)
    except (zlib.error, *DAMAGE) as error:
        raise DataError(
            "events and verdicts of the export are damaged; its readings are not"
        ) from error
