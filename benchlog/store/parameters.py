"""Rows into SQL parameters; what must never enter the database is refused here.

A row that is refused would be refused again: StoreRefusedError names it, and nothing
of its batch is written.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from operator import attrgetter
from typing import Any, Final

from benchlog.errors import StoreRefusedError
from benchlog.model import (
    Condition,
    Edge,
    Event,
    PhasePoint,
    Reading,
)
from benchlog.store.logged_tables import (
    CONDITIONS,
    EDGES,
    EVENTS,
    PHASES,
    READINGS,
    LoggedTable,
)
from benchlog.store.reading_block import ReadingBlock
from benchlog.store.rows import Row
from benchlog.store.sqlite import Connection
from benchlog.units import printable

Parameters = tuple[Any, ...]
_INT64: Final = 2**63
_ABSENT: Final = object()
_TOGETHER: Final = 50
"""Rows of one statement: half the time of one by one (measured), 300 of 999 values."""


def text(name: str, value: str) -> str:
    """Return `value` if a database can hold it as text.

    Raises StoreRefusedError when it holds lone surrogates, which is how bytes that are
    no UTF-8 come in from a command line. NUL and any other character are kept.
    """
    if _encodable(value):
        return value
    raise StoreRefusedError(
        f"{name} {printable(value)!r} holds bytes that are not UTF-8 text; "
        "type it again, or set the terminal to UTF-8"
    )


def _of_readings(rows: Sequence[tuple[int, int, Reading]]) -> Iterator[Parameters]:
    """Yield the parameters of readings. Raises StoreRefusedError naming the row.

    The table itself refuses frequencies that are not finite or not above zero; a NaN
    among the ambients would become NULL, so that is looked for here: a sum sees one
    anywhere in the batch at the speed of C. The order of the columns is written out,
    and held by a test: taking it from the declaration makes a commit 4 % slower.
    """
    ambients = [r.ambient_c for _, _, r in rows if r.ambient_c is not None]
    if not abs(sum(ambients)) < math.inf:
        refuse_first_bad(rows)
    return (
        (
            run,
            segment,
            r.utc_ns,
            r.mono_ns,
            r.gate_s,
            r.frequency_hz,
            r.ambient_c,
            +r.flags,  # a plain int: SQLite is slow with anything else
            r.raw,
        )
        for run, segment, r in rows
    )


def _of_events(rows: Sequence[tuple[int, int, Event]]) -> Iterator[Parameters]:
    """Yield the parameters of events.

    An event must never keep readings from being stored: lone surrogates in its words
    are written as escapes; `raw` holds the bytes themselves.
    """
    escaped = [
        (
            run,
            segment or None,
            replace(
                event,
                kind=str(event.kind),
                text=_escaped(event.text),
                instrument=_escaped(event.instrument),
            ),
        )
        for run, segment, event in rows
    ]
    return _in_order(EVENTS, escaped)


def _of_conditions(rows: Sequence[tuple[int, int, Condition]]) -> Iterator[Parameters]:
    """Yield the parameters of conditions. Raises StoreRefusedError."""
    refuse_first_bad(rows)
    return _in_order(CONDITIONS, rows)


def _of_edges(rows: Sequence[tuple[int, int, Edge]]) -> Iterator[Parameters]:
    """Yield the parameters of edges."""
    return _in_order(EDGES, rows)


def _of_phases(rows: Sequence[tuple[int, int, PhasePoint]]) -> Iterator[Parameters]:
    """Yield the parameters of phase points. Raises StoreRefusedError."""
    refuse_first_bad(rows)
    return _in_order(PHASES, rows)


def _in_order(
    table: LoggedTable, rows: Sequence[tuple[int, int | None, object]]
) -> Iterator[Parameters]:
    """Yield run, segment and the fields of the noun as the table declares them."""
    fields_of = _FIELDS_OF[table]
    return ((run, segment, *fields_of(noun)) for run, segment, noun in rows)


_FIELDS_OF: Final = {
    table: attrgetter(
        # a plain int, as above
        *("flags.real" if name == "flags" else name for name in table.noun_columns)
    )
    for table in (EVENTS, CONDITIONS, EDGES, PHASES)
}
INSERTS: Final[
    dict[type, tuple[str, Callable[[Sequence[Any]], Iterable[Parameters]]]]
] = {
    Reading: (READINGS.insert(), _of_readings),
    Event: (EVENTS.insert(), _of_events),
    Condition: (CONDITIONS.insert(), _of_conditions),
    Edge: (EDGES.insert(), _of_edges),
    PhasePoint: (PHASES.insert(), _of_phases),
}
"""Per kind of row: the statement, and how to get its parameters."""


def by_kind(rows: Sequence[Row]) -> Mapping[type, list[Row]]:
    """Return rows by what they are, in their order."""
    groups: defaultdict[type, list[Row]] = defaultdict(list)
    for row in rows:
        groups[type(row[2])].append(row)
    return groups


def insert_rows(connection: Connection, groups: Mapping[type, Sequence[Row]]) -> None:
    """Insert rows by what they are; in the transaction. Raises StoreRefusedError."""
    for kind, rows in groups.items():
        if kind not in INSERTS:
            raise StoreRefusedError(f"a {kind.__name__} is no row of the database")
        sql, parameters_of = INSERTS[kind]
        connection.executemany(sql, parameters_of(rows))


def insert_block(
    connection: Connection, run_id: int, segment_id: int, block: ReadingBlock
) -> None:
    """Insert readings that follow one another; in the transaction.

    What is absent is written into the statement: handing over a None takes as long as
    all numbers of a row together. A text is never empty, so empty stands for none.
    """
    given: dict[str, list[Any]] = {
        "mono_ns": block.mono_ns.tolist(),
        "frequency_hz": block.frequency_hz.tolist(),
    }
    flags = block.flags.tolist()
    alike = flags.count(flags[0]) == len(flags) if flags else False
    if not alike:
        given["flags"] = flags
    if block.utc_ns is not None:
        given["utc_ns"] = block.utc_ns.tolist()
    if block.ambient_c is not None:  # SQLite takes NaN for NULL
        given["ambient_c"] = block.ambient_c.tolist()
    if block.raw is not None:
        given["raw"] = [one or "" for one in block.raw]
    width = len(given)
    cells: list[Any] = [None] * (len(block) * width)
    for at, column in enumerate(given.values()):
        cells[at::width] = column
    fixed = f"{run_id:d}, {segment_id:d}, ?1" + (f", {flags[0]:d}" if alike else "")
    holes = ", ".join("nullif(?, '')" if name == "raw" else "?" for name in given)
    shared = ("run_id", "segment_id", "gate_s", *(["flags"] if alike else []))
    names = ", ".join((*shared, *given))
    done = len(block) - len(block) % _TOGETHER
    for begin, end, count in ((0, done, _TOGETHER), (done, len(block), 1)):
        values = ", ".join([f"({fixed}, {holes})"] * count)
        sql = f"insert into readings ({names}) values {values}"  # noqa: S608 - our own
        starts = range(begin * width, end * width, count * width)
        rows = [(block.gate_s, *cells[at : at + count * width]) for at in starts]
        connection.executemany(sql, rows)


def refuse_first_bad(rows: Sequence[Row]) -> None:
    """Raise StoreRefusedError for the first row that cannot be stored, if any."""
    for number, (_, _, noun) in enumerate(rows, start=1):
        problem = problem_of(noun)
        if problem:
            kind = type(noun).__name__.lower()
            raise StoreRefusedError(
                f"row {number} of {len(rows)} ({kind}) cannot be stored: {problem}"
            )


def problem_of(noun: object) -> str:
    """Return what is wrong with one row, empty when it can be stored."""
    for name in ("utc_ns", "mono_ns", "sequence"):
        whole = getattr(noun, name, _ABSENT)
        if whole is not _ABSENT and not _fits(whole, may_be_none=name == "utc_ns"):
            return f"{name} is {whole!r}, not a whole number of 64 bits"
    for name in ("gate_s", "frequency_hz", "ambient_c", "value", "phase_s"):
        number = getattr(noun, name, _ABSENT)
        if number is not _ABSENT and not _finite(
            number, may_be_none=name == "ambient_c"
        ):
            return f"{name} is {number!r}, not a finite number"
    if isinstance(noun, Event):
        return _problem_of_event(noun)
    return _problem_of_words(noun) or _problem_of_reading(noun)


def _problem_of_words(noun: object) -> str:
    """Return what is wrong with the texts and flags of a row that is no event."""
    for name in ("raw", "quantity", "unit", "instrument"):
        words = getattr(noun, name, _ABSENT)
        if words is _ABSENT or (words is None and name == "raw"):
            continue
        if not isinstance(words, str):
            return f"{name} is no text"
        if not _encodable(words):
            return f"{name} is {printable(words)!r}, which is not UTF-8 text"
    flags = int(getattr(noun, "flags", 0))
    return "" if 0 <= flags < _INT64 else "flags are no flags"


def _problem_of_event(event: Event) -> str:
    for name in ("kind", "text", "instrument"):
        if not isinstance(getattr(event, name), str):
            return f"{name} is no text"
    if not isinstance(event.raw, bytes | None):
        return "raw is no bytes"
    return ""


def _problem_of_reading(reading: object) -> str:
    if not isinstance(reading, Reading):
        return ""
    if not reading.frequency_hz > 0:
        return f"frequency_hz is {reading.frequency_hz!r}, not above zero"
    if not reading.gate_s >= 0:
        return f"gate_s is {reading.gate_s!r}, below zero"
    return ""


def _fits(value: object, *, may_be_none: bool) -> bool:
    if value is None:
        return may_be_none
    if isinstance(value, bool) or not isinstance(value, int):
        return False
    return -_INT64 <= value < _INT64


def _finite(value: object, *, may_be_none: bool) -> bool:
    if value is None:
        return may_be_none
    if isinstance(value, float):
        return math.isfinite(value)
    return value is not None and _fits(value, may_be_none=False)


def _encodable(value: str) -> bool:
    try:
        value.encode()
    except UnicodeEncodeError:
        return False
    return True


def _escaped(value: str) -> str:
    return value.encode(errors="backslashreplace").decode()
