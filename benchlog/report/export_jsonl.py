"""A run as JSON Lines: the run, its readings, whatever else was logged, the end.

Each line is an object; `row` says what it is: `run` (the first), `reading`, `event`,
`condition`, `edge`, `verdict`, `end` (the last, with the numbers of readings and edges
and the check sum of all lines before it).
"""

import json
from collections.abc import Iterator
from typing import Any

from benchlog.model import Run
from benchlog.report.checksum import LineSum
from benchlog.report.record import Sent, header_of, others_of, pages
from benchlog.store.nouns import LOGGED
from benchlog.store.reader import Reader


def jsonl_lines(reader: Reader, run: Run, sent: Sent) -> Iterator[str]:
    """Yield the lines of the export; `sent` counts what went out."""
    total = LineSum()
    for name, fields in _rows(reader, run, sent):
        yield total.take(_line(name, fields))
    yield _line("end", sent.end(total))


def _rows(reader: Reader, run: Run, sent: Sent) -> Iterator[tuple[str, dict[str, Any]]]:
    yield "run", header_of(reader, run)
    for rows in pages(reader, "readings", run.id, reader.last_id(run.id)):
        for row in rows:
            yield "reading", dict(zip(LOGGED["readings"], row, strict=True))
        sent.more(len(rows))
    for name, fields in others_of(reader, run.id):
        sent.other(name)
        yield name, fields


def _line(name: str, fields: dict[str, Any]) -> str:
    return json.dumps({"row": name, **fields}, allow_nan=False) + "\n"
