"""Reading back the Parquet files that `export` wrote."""

import io
import json
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from benchlog.errors import DataError
from benchlog.exchange.arrow import arrow
from benchlog.exchange.checksum import COLUMNS, ColumnSum
from benchlog.exchange.export.export_parquet import (
    HEADER_KEY,
    ROWS_KEY,
    SUM_KEY,
)
from benchlog.exchange.export.reading_chunks import UNDATED
from benchlog.exchange.file_limits import USUAL, FileLimits, LimitError, beyond
from benchlog.exchange.memory_bound import memory_for_more
from benchlog.exchange.reimport.export_reader import (
    DAMAGE,
    Altered,
    Found,
    Intact,
    Logged,
    checked_header,
    noun_of,
)
from benchlog.exchange.unpacking import DAMAGED, open_zlib
from benchlog.model import Flag, Reading
from benchlog.units import printable

MAGIC: Final = b"PAR1"
_FRACTIONS: Final = ("gate_s", "frequency_hz", "ambient_c")
_BATCH: Final = 65_536
_BUFFER: Final = 2**20
_MOST_SAID: Final = (
    400  # our rule: five lines of a terminal; names in a file may fill pages
)
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


def read_parquet(path: Path, limits: FileLimits = USUAL) -> Iterator[Found]:
    """Yield what an export holds, its header first.

    Raises DataError when the file is damaged, goes beyond a limit or is not an export
    of ours, BenchlogError where pyarrow is missing.
    """
    pa, pq = arrow(), arrow("pyarrow.parquet")
    try:
        with (
            memory_for_more(limits.memory * 2**20),
            pq.ParquetFile(path, read_dictionary=["raw"], buffer_size=_BUFFER) as file,
        ):
            metadata = file.metadata.metadata or {}
            yield checked_header(_header(path, metadata))
            _check_size(path, file.metadata, limits)
            _check_kinds(pa, file.schema_arrow)
            total, texts = ColumnSum(), _Texts(path, limits)
            for batch in file.iter_batches(
                _BATCH, columns=list(_COLUMNS), use_threads=False
            ):
                raw = texts.of(batch.column("raw"))
                _summed(total, batch, raw)
                yield from _readings(batch, raw)
            yield from _rows(path, metadata, limits)
            said = metadata.get(SUM_KEY)
            rest = metadata[HEADER_KEY] + metadata.get(ROWS_KEY, b"")
            if said is not None:
                fits = said == total.text(rest).encode()
                yield Intact() if fits else Altered()
    except MemoryError as error:
        said = f"needs more than {limits.memory:,} MB of memory"
        raise beyond(path, said, "memory") from error
    except (pa.ArrowException, OSError, *_DAMAGED) as error:
        why = printable((str(error).splitlines() or [repr(error)])[0])
        raise DataError(
            f"{path} cannot be read as Parquet: {why[:_MOST_SAID]}"
        ) from error


def _check_size(path: Path, metadata: Any, limits: FileLimits) -> None:
    """Refuse a file that tells itself that it is too large."""
    if metadata.num_rows > limits.lines:
        raise beyond(path, f"has more than {limits.lines:,} rows", "lines")
    for number in range(metadata.num_row_groups):
        group = metadata.row_group(number)
        sizes = (
            group.column(n).total_uncompressed_size for n in range(group.num_columns)
        )
        if sum(sizes) > limits.memory * 2**20:
            said = f"needs more than {limits.memory:,} MB of memory"
            raise beyond(path, said, "memory")


def _check_kinds(pa: Any, schema: Any) -> None:
    """Raise TypeError where a column has another kind, KeyError where it is missing."""
    kinds = pa.types
    for name in _COLUMNS:
        found = schema.field(name).type
        whole, number = kinds.is_integer(found), kinds.is_floating(found)
        if name == "raw":
            inner = found.value_type if kinds.is_dictionary(found) else found
            fits = kinds.is_string(inner) or kinds.is_large_string(inner)
        elif name in _FRACTIONS:
            fits = whole or number
        else:
            fits = whole
        if not (fits or kinds.is_null(found)):
            raise TypeError(f"its column {name} is of kind {found}")


class _Texts:
    """The texts of readings, each kept once however often it occurs, and bounded."""

    def __init__(self, path: Path, limits: FileLimits) -> None:
        self._path, self._limits, self._left = path, limits, limits.octets

    def of(self, column: Any) -> list[str | None]:
        """Return the texts of a batch. Raises DataError beyond a limit."""
        if column.null_count == len(column):
            return [None] * len(column)
        distinct = column.dictionary.to_pylist()
        sizes = [0 if text is None else len(text) for text in distinct]
        if max(sizes, default=0) > self._limits.characters:
            said = f"has a text of more than {self._limits.characters:,} characters"
            raise beyond(self._path, said, "characters")
        found = column.indices.to_pylist()
        self._left -= sum(sizes[at] for at in found if at is not None)
        if self._left < 0:
            said = f"has more than {self._limits.megabytes:,} MB of text"
            raise beyond(self._path, said, "megabytes")
        return [None if at is None else distinct[at] for at in found]


def _header(path: Path, metadata: dict[bytes, bytes]) -> dict[str, Any]:
    if HEADER_KEY not in metadata:
        raise DataError(
            f"{path} is Parquet, but no export of a run: only such files and text can "
            "be imported"
        )
    try:
        header = json.loads(metadata[HEADER_KEY])
    except (ValueError, RecursionError) as error:
        raise DataError(f"{path}: the head of the export is damaged") from error
    return header if isinstance(header, dict) else {}


def _summed(total: ColumnSum, batch: Any, raw: Sequence[str | None]) -> None:
    unknown = {"utc_ns": UNDATED, "ambient_c": math.nan}
    numbers = {
        name: batch.column(name).fill_null(unknown.get(name, 0)).to_numpy(False)
        for name in COLUMNS
    }
    with np.errstate(invalid="ignore"):  # of another kind: then the sum does not fit
        total.add_readings(numbers, raw)


def _readings(batch: Any, texts: Sequence[str | None]) -> Iterator[Logged]:
    columns = [batch.column(name).to_pylist() for name in _COLUMNS[:-1]]
    for segment, utc, mono, gate, hertz, ambient, flags, raw in zip(
        *columns, texts, strict=True
    ):
        reading = Reading(utc, mono, gate, hertz, ambient, Flag(flags), raw)
        yield Logged(segment, reading)


def _rows(
    path: Path, metadata: dict[bytes, bytes], limits: FileLimits
) -> Iterator[Found]:
    packed = metadata.get(ROWS_KEY)
    if packed is None:
        return
    most = limits.characters
    try:
        with open_zlib(path, io.BytesIO(packed), limits.octets) as lines:
            while line := lines.readline(most + 1):
                if len(line) > most:
                    said = f"has an event of more than {most:,} characters"
                    raise beyond(path, said, "characters")
                fields = json.loads(line)
                yield noun_of(fields.pop("row"), fields)
    except LimitError:
        raise
    except (*DAMAGED, *DAMAGE) as error:
        raise DataError(
            "events and verdicts of the export are damaged; its readings are not"
        ) from error
