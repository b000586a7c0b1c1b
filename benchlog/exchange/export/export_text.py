"""A run as CSV or JSON Lines: its readings, and all else that was logged."""

import json
import math
from collections.abc import Iterator, Sequence
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
from benchlog.store.logged_tables import READINGS, LoggedRows
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S, offset_ppm

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
    for page in pages(reader, READINGS, run.id, reader.last_id(run.id)):
        yield _lines_of(page.rows, run)
        sent.more(len(page))
    for name, fields in others_of(reader, run.id):
        sent.other(name)
        yield comment(name, fields)


def utc_text(utc_ns: int) -> str:
    """Return ns since 1970 as ISO 8601 with nine decimals and `Z`."""
    seconds, rest = divmod(utc_ns, NS_PER_S)
    moment = datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None)
    return f"{moment.isoformat()}.{rest:09d}Z"


def _lines_of(rows: Sequence[tuple[Any, ...]], run: Run) -> str:
    """Return the lines of rows of `READINGS`, in the order that is declared there.

    What many rows share, the second and the gate, is written out once.
    """
    nominal_hz, divider = run.nominal_hz, run.divider
    second, written = -1, ""
    gates: dict[float, str] = {}
    lines: list[str] = []
    for reading, segment, utc_ns, mono_ns, gate_s, hertz, ambient_c, flags, raw in rows:
        if utc_ns is None:
            utc = ","
        else:
            if utc_ns // NS_PER_S != second or not written:
                second = utc_ns // NS_PER_S
                written = utc_text(second * NS_PER_S)[:-10]
            utc = f"{written}{utc_ns - second * NS_PER_S:09d}Z,{utc_ns}"
        gate = gates.get(gate_s)
        if gate is None:
            gate = gates[gate_s] = repr(gate_s)
        ambient = "" if ambient_c is None else repr(ambient_c)
        ppm = offset_ppm(hertz * divider, nominal_hz)
        lines.append(
            f"{reading},{segment},{utc},{mono_ns},{gate},{hertz!r},{ambient},{flags},"
            f"{ppm:.9g},{'' if raw is None else cell(raw)}\n"
        )
    return "".join(lines)


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
    for page in pages(reader, READINGS, run.id, reader.last_id(run.id)):
        yield _objects_of(page)
        sent.more(len(page))
    for name, fields in others_of(reader, run.id):
        sent.other(name)
        yield _json_line(name, fields)


def _objects_of(page: LoggedRows) -> str:
    """Return readings as `_json_line` writes them, in a fifth of its time.

    It writes floats as Python does, unless they are no numbers; those are left to it.
    """
    if not _is_plain(page):
        rows = (dict(zip(page.columns, row, strict=True)) for row in page.rows)
        return "".join(_json_line("reading", row) for row in rows)
    gates: dict[float, str] = {}
    lines: list[str] = []
    for (
        reading,
        segment,
        utc,
        mono_ns,
        gate_s,
        hertz,
        ambient_c,
        flags,
        raw,
    ) in page.rows:
        gate = gates.get(gate_s)
        if gate is None:
            gate = gates[gate_s] = repr(gate_s)
        lines.append(
            f'{{"row": "reading", "id": {reading}, "segment_id": {segment}, '
            f'"utc_ns": {"null" if utc is None else utc}, '
            f'"mono_ns": {mono_ns}, "gate_s": {gate}, '
            f'"frequency_hz": {hertz!r}, "ambient_c": '
            f'{"null" if ambient_c is None else repr(ambient_c)}, "flags": {flags}, '
            f'"raw": {"null" if raw is None else json.dumps(raw)}}}\n'
        )
    return "".join(lines)


def _is_plain(page: LoggedRows) -> bool:
    """Whether the columns are as they were declared and floats are finite numbers."""
    ambient = [one for one in page.of("ambient_c") if one is not None]
    try:
        total = sum(page.of("gate_s")) + sum(page.of("frequency_hz")) + sum(ambient)
    except TypeError:
        return False
    return math.isfinite(total) and page.columns == READINGS.columns


def _json_line(name: str, fields: dict[str, Any]) -> str:
    return json.dumps({"row": name, **fields}, allow_nan=False) + "\n"
