"""A run as JSON Lines: the run, its readings, whatever else was logged, the end.

Each line is an object; `row` says what it is: `run` (the first), `reading`, `event`,
`condition`, `edge`, `verdict`, `end` (the last, with the number of readings).
"""

import json
from collections.abc import Callable, Iterator
from typing import Any

from benchlog.model import Run
from benchlog.report.record import header_of, others_of, pages
from benchlog.store.nouns import LOGGED
from benchlog.store.reader import Reader


def jsonl_lines(reader: Reader, run: Run, done: Callable[[int], None]) -> Iterator[str]:
    """Yield the lines of the export; `done` is told how many readings went out."""
    yield _line("run", header_of(reader, run))
    count = 0
    for rows in pages(reader, "readings", run.id, reader.last_id(run.id)):
        for row in rows:
            yield _line("reading", dict(zip(LOGGED["readings"], row, strict=True)))
        count += len(rows)
        done(count)
    for name, fields in others_of(reader, run.id):
        yield _line(name, fields)
    yield _line("end", {"readings": count})


def _line(name: str, fields: dict[str, Any]) -> str:
    return json.dumps({"row": name, **fields}, allow_nan=False) + "\n"
