"""A run as CSV or JSON Lines: its readings, and all else that was logged."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any, Final

from benchlog.exchange.checksum import LineSum
from benchlog.exchange.export.exported_fields import (
    Sent,
    header_of,
    others_of,
    pages,
)
from benchlog.exchange.spreadsheet_cells import cell, comment
from benchlog.model import Run
from benchlog.store.logged_tables import READINGS
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S, offset_ppm

MAGIC: Final = "# benchlog-export: "
HEAD: Final = (
    "reading,segment,utc,utc_ns,mono_ns,gate_s,frequency_hz,ambient_c,flags,"
    "offset_raw_ppm,raw\n"
)


def csv_lines(reader: Reader, run: Run, sent: Sent) -> Iterator[str]:
    """Yield the lines of the export; `sent` counts what went out."""
    total = LineSum()
    for line in _lines(reader, run, sent):
        yield total.add_line(line)
    yield comment("end", sent.end(total))


def _lines(reader: Reader, run: Run, sent: Sent) -> Iterator[str]:
    header = header_of(reader, run)
    yield comment("benchlog-export", header.pop("format"))
    for key, value in header.items():
        yield comment(key, value)
    yield HEAD
    for page in pages(reader, READINGS, run.id, reader.last_id(run.id)):
        yield from (_line(row, run) for row in page.rows)
        sent.more(len(page))
    for name, fields in others_of(reader, run.id):
        sent.other(name)
        yield comment(name, fields)


def utc_text(utc_ns: int) -> str:
    """Return ns since 1970 as ISO 8601 with nine decimals and `Z`."""
    seconds, rest = divmod(utc_ns, NS_PER_S)
    moment = datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None)
    return f"{moment.isoformat()}.{rest:09d}Z"


def _line(row: tuple[Any, ...], run: Run) -> str:
    """Return the line of a row of `READINGS`, in the order that is declared there."""
    reading, segment, utc_ns, mono_ns, gate_s, hertz, ambient_c, flags, raw = row
    utc = "," if utc_ns is None else f"{utc_text(utc_ns)},{utc_ns}"
    ambient = "" if ambient_c is None else repr(ambient_c)
    ppm = offset_ppm(hertz * run.divider, run.nominal_hz)
    return (
        f"{reading},{segment},{utc},{mono_ns},{gate_s!r},{hertz!r},{ambient},{flags},"
        f"{ppm:.9g},{cell(raw)}\n"
    )


# --- a run as json lines: the run, its readings, whatever else was logged, the end
#
# Each line is an object; `row` says what it is: `run` (the first), `reading`, `event`,
# `condition`, `edge`, `verdict`, `end` (the last, with the numbers of readings and
# edges and the check sum of all lines before it).


def jsonl_lines(reader: Reader, run: Run, sent: Sent) -> Iterator[str]:
    """Yield the lines of the export; `sent` counts what went out."""
    total = LineSum()
    for name, fields in _rows(reader, run, sent):
        yield total.add_line(_json_line(name, fields))
    yield _json_line("end", sent.end(total))


def _rows(reader: Reader, run: Run, sent: Sent) -> Iterator[tuple[str, dict[str, Any]]]:
    yield "run", header_of(reader, run)
    for page in pages(reader, READINGS, run.id, reader.last_id(run.id)):
        for row in page.rows:
            yield "reading", dict(zip(page.columns, row, strict=True))
        sent.more(len(page))
    for name, fields in others_of(reader, run.id):
        sent.other(name)
        yield name, fields


def _json_line(name: str, fields: dict[str, Any]) -> str:
    return json.dumps({"row": name, **fields}, allow_nan=False) + "\n"
