"""What an export says of a run besides its readings: enough to lose nothing."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from benchlog.exchange.checksum import LineSum
from benchlog.model import Run
from benchlog.store.logged_tables import (
    CONDITIONS,
    EDGES,
    EVENTS,
    PHASES,
    LoggedRows,
    LoggedTable,
)
from benchlog.store.masked_snapshot import told_to_others
from benchlog.store.reader import Reader
from benchlog.store.snapshot import to_plain
from benchlog.store.sqlite import out_of_order

FORMAT: Final = 1
OTHERS: Final[dict[LoggedTable, str]] = {
    EVENTS: "event",
    CONDITIONS: "condition",
    EDGES: "edge",
    PHASES: "phase",
}
"""Tables besides the readings, and what one row of each is called."""
OF_CHECK: Final = (
    "instrument",
    "offset_ppm",
    "u_ppm",
    "method",
    "at_utc_ns",
    "valid_until_utc_ns",
)
"""What is kept of a reference check besides its run; voided, an amendment says so."""
_PAGE: Final = 10_000
_OF_RUN: Final = (
    "purpose",
    "device",
    "lot",
    "position",
    "bench",
    "nominal_hz",
    "divider",
    "simulated",
    "started_utc_ns",
    "ended_utc_ns",
    "ended_how",
    "operator",
    "note",
    "resolution_hz",
)


@dataclass(slots=True)
class Sent:
    """What went out so far; `done` is told the number of readings."""

    done: Callable[[int], None]
    readings: int = 0
    edges: int = 0

    def more(self, readings: int) -> None:
        """Count readings."""
        self.readings += readings
        self.done(self.readings)

    def other(self, name: str) -> None:
        """Count a row besides the readings."""
        self.edges += name == OTHERS[EDGES]

    def end(self, total: LineSum) -> dict[str, Any]:
        """Return what the last line says."""
        sum_of = {"sha256": total.text()}
        return {"readings": self.readings, "edges": self.edges, **sum_of}


def header_of(reader: Reader, run: Run) -> dict[str, Any]:
    """Return all that a run was begun with, as plain JSON values."""
    header: dict[str, Any] = {
        "format": FORMAT,
        "run": run.id,
        "run_uid": run.uid,
        "part": run.begun_as.id,
    }
    header.update((name, to_plain(getattr(run, name))) for name in _OF_RUN)
    header["device"] = run.typed_device or run.device  # corrections come as amendments
    header["nominal_hz"] = run.begun_as.nominal_hz
    header["segments"] = to_plain(reader.segments(run.id))
    header["snapshot"] = told_to_others(run.snapshot)
    return header


def pages(reader: Reader, table: LoggedTable, run_id: int) -> Iterator[LoggedRows]:
    """Yield the rows of a table in pages."""
    after_id = 0
    while page := reader.logged(table, run_id, after_id, _PAGE):
        last = page.rows[-1][page.columns.index("id")]
        if last <= after_id:
            raise out_of_order(table.name)
        after_id = last
        yield page


def others_of(reader: Reader, run_id: int) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield what a run has besides readings: what each is, and its fields.

    Bytes are written as hexadecimal digits.
    """
    for table, name in OTHERS.items():
        for page in pages(reader, table, run_id):
            for row in page.rows:
                yield name, _named(page.columns, row)
    for verdict in reader.verdicts(run_id):
        yield "verdict", to_plain(verdict)
    for amendment in reader.amendments(run_id):
        yield "amendment", to_plain(amendment)
    for _, check in reader.reference_checks():
        if check.run_id == run_id:
            fields = to_plain(check)
            yield "refcheck", {name: fields[name] for name in OF_CHECK}


def _named(columns: tuple[str, ...], row: tuple[Any, ...]) -> dict[str, Any]:
    values = (value.hex() if isinstance(value, bytes) else value for value in row)
    return dict(zip(columns, values, strict=True))
