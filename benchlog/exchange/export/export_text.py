"""A run as CSV or JSON Lines: its readings, and all else that was logged."""

import json
from collections.abc import Iterator
from typing import Any, Final

from benchlog.exchange.checksum import LineSum
from benchlog.exchange.export.exported_fields import (
    Sent,
    header_of,
    others_of,
)
from benchlog.exchange.export.reading_chunks import Chunk, chunks_of
from benchlog.exchange.export.reading_texts import (
    csv_rows,
    json_rows,
    stored_columns,
)
from benchlog.exchange.spreadsheet_cells import comment
from benchlog.model import Run
from benchlog.store.logged_tables import READINGS
from benchlog.store.reader import Reader

_CHUNK: Final = 16_384  # our rule: sixteen packed blocks, 2 MB of text
MAGIC: Final = "# benchlog-export: "
HEAD: Final = (
    "reading,segment,utc,utc_ns,mono_ns,gate_s,frequency_hz,ambient_c,flags,"
    "offset_raw_ppm,raw\n"
)


def csv_lines(reader: Reader, run: Run, sent: Sent) -> Iterator[str]:
    """Yield the export, some lines at a time; `sent` counts what went out."""
    total = LineSum()
    for lines in _lines(reader, run, sent):
        yield total.add_lines(lines)
    yield comment("end", sent.end(total))


def _lines(reader: Reader, run: Run, sent: Sent) -> Iterator[str]:
    header = header_of(reader, run)
    yield comment("benchlog-export", header.pop("format"))
    for key, value in header.items():
        yield comment(key, value)
    yield HEAD
    for chunk in chunks_of(reader, run, _CHUNK):
        yield csv_rows(chunk, run)
        sent.more(len(chunk))
    for name, fields in others_of(reader, run.id):
        sent.other(name)
        yield comment(name, fields)


# --- a run as json lines: the run, its readings, whatever else was logged, the end
#
# Each line is an object; `row` says what it is: `run` (the first), `reading`, `event`,
# `condition`, `edge`, `verdict`, `end` (the last, with the numbers of readings and
# edges and the check sum of all lines before it).


def jsonl_lines(reader: Reader, run: Run, sent: Sent) -> Iterator[str]:
    """Yield the export, some lines at a time; `sent` counts what went out."""
    total = LineSum()
    for lines in _objects(reader, run, sent):
        yield total.add_lines(lines)
    yield _json_line("end", sent.end(total))


def _objects(reader: Reader, run: Run, sent: Sent) -> Iterator[str]:
    yield _json_line("run", header_of(reader, run))
    for chunk in chunks_of(reader, run, _CHUNK):
        yield _objects_of(chunk)
        sent.more(len(chunk))
    for name, fields in others_of(reader, run.id):
        sent.other(name)
        yield _json_line(name, fields)


def _objects_of(chunk: Chunk) -> str:
    written = json_rows(chunk)
    if written is not None:
        return written
    rows = zip(*stored_columns(chunk), strict=True)
    named = (dict(zip(READINGS.columns, row, strict=True)) for row in rows)
    return "".join(_json_line("reading", row) for row in named)


def _json_line(name: str, fields: dict[str, Any]) -> str:
    return json.dumps({"row": name, **fields}, allow_nan=False) + "\n"
