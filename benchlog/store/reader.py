"""The one way out of the database: read-only, in short transactions."""

import json
from collections.abc import Iterable, Iterator, Sequence

from benchlog.model import Columns, Condition, Edge, Event, Frequencies, Phases, Pulses
from benchlog.store import row_mapping, sqlite
from benchlog.store.arrays import (
    SELECT_AMBIENT,
    SELECT_EDGES,
    SELECT_PHASES,
    frequencies,
    phases_from,
    pulses_from,
)
from benchlog.store.derived.outline import read_outline
from benchlog.store.derived.packed import NO_LIMIT, read_columns
from benchlog.store.integrity.row_check import backward_rows
from benchlog.store.logged_tables import (
    CONDITIONS,
    EDGES,
    EVENTS,
    LoggedRows,
    LoggedTable,
)
from benchlog.store.lot_reader import LotReader
from benchlog.store.missing_rows import missing_rows
from benchlog.store.opening import opened
from benchlog.store.parameters import by_kind
from benchlog.store.rows import (
    Amendment,
    ConditionSpan,
    Outline,
    Row,
    Segment,
    VerdictRow,
)


class Reader(LotReader):
    """What one database holds: runs, their rows, lots, checks; for one thread.

    `original` is the database it tells of: `path` itself, or what that is a copy of.
    """

    def columns_after(
        self, run_id: int, after_id: int = 0, limit: int | None = None
    ) -> Columns:
        """Return the readings of a run with ids above `after_id`, at most `limit`."""
        return self._columns(run_id, after_id, NO_LIMIT if limit is None else limit)

    def chunks(self, run_id: int, size: int = 16_384) -> Iterator[Columns]:
        """Yield the readings of a run in chunks, each read in its own transaction."""
        after_id = 0
        while len(chunk := self._columns(run_id, after_id, size)):
            yield chunk
            if chunk.id[-1] <= after_id:
                raise sqlite.out_of_order("readings")
            after_id = int(chunk.id[-1])

    def frequencies(self, run_id: int) -> Frequencies:
        """Return only the frequencies and where the run is broken: for long runs."""
        with self._translated():
            n = self.count(run_id)
            return frequencies(self._connection, lambda: opened(self.path), run_id, n)

    def count(self, run_id: int) -> int:
        """Return how many readings a run has; in milliseconds also for long runs."""
        return int(self._one(row_mapping.COUNT, {"run": run_id}) or 0)

    def last_id(self, run_id: int) -> int:
        """Return the id of a run's newest reading, 0 when there is none."""
        sql = "select max(id) from readings where run_id = ?"
        return int(self._one(sql, (run_id,)) or 0)

    def events(
        self, run_id: int, after_id: int = 0, limit: int = NO_LIMIT
    ) -> list[tuple[int, Event]]:
        """Return the events of a run with ids above `after_id`, with their ids.

        A mark that was corrected has the text it should have; `logged` has the typed.
        """
        rows = self._all(row_mapping.NOUNS[EVENTS], (run_id, after_id, limit))
        mended = self._all(row_mapping.MENDED_MARKS, {"run": run_id})
        return row_mapping.events_from(rows, dict(mended))

    def conditions(
        self, run_id: int, after_id: int = 0, limit: int = NO_LIMIT
    ) -> list[tuple[int, Condition]]:
        """Return the conditions logged in a run, with their ids."""
        rows = self._all(row_mapping.NOUNS[CONDITIONS], (run_id, after_id, limit))
        return [row_mapping.condition_from(row) for row in rows]

    def condition_spans(self, run_id: int) -> list[ConditionSpan]:
        """Return what was logged beside the readings, one span for each quantity."""
        return [
            ConditionSpan(**row)
            for row in self._named(row_mapping.CONDITION_SPANS, (run_id,))
        ]

    def edges(
        self, run_id: int, after_id: int = 0, limit: int = NO_LIMIT
    ) -> list[tuple[int, Edge]]:
        """Return the edges of a run, with their ids."""
        rows = self._all(row_mapping.NOUNS[EDGES], (run_id, after_id, limit))
        return [row_mapping.edge_from(row) for row in rows]

    def pulses_after(
        self, run_id: int, after_id: int = 0, limit: int = NO_LIMIT, condition: int = 0
    ) -> Pulses:
        """Return edges of a run with ids above `after_id`, as arrays.

        With the ambient values that were logged after the condition of that id.
        """
        edges = self._all(SELECT_EDGES, (run_id, after_id, limit))
        ambient = self._all(SELECT_AMBIENT, (run_id, condition))
        return pulses_from(edges, ambient, condition)

    def phases(self, run_id: int) -> Phases:
        """Return the phase that a run was imported from; empty for other runs."""
        return phases_from(self._all(SELECT_PHASES, (run_id, 0, NO_LIMIT)))

    def segments(self, run_id: int) -> list[Segment]:
        """Return the segments of a run in their order."""
        return [Segment(**row) for row in self._named(row_mapping.SEGMENTS, (run_id,))]

    def verdicts(self, run_id: int) -> list[VerdictRow]:
        """Return the verdicts of a run, the newest last."""
        return [
            row_mapping.verdict_from(row)
            for row in self._named(row_mapping.VERDICTS, (run_id,))
        ]

    def amendments(self, run_id: int) -> list[Amendment]:
        """Return what was said of a run afterwards, the newest last."""
        rows = self._named(row_mapping.AMENDMENTS, (run_id,))
        return [Amendment(**row) for row in rows]

    def outline(self, run_id: int) -> Outline:
        """Return a run in blocks of 1,024 readings; what is missing is worked out."""
        with self._translated():
            return read_outline(self._connection, run_id)

    def logged(
        self, table: LoggedTable, run_id: int, after_id: int = 0, limit: int = 10_000
    ) -> LoggedRows:
        """Return rows of a run exactly as stored, NULL as None, in their order."""
        sql = table.select(table.columns)
        rows = self._all(sql, (run_id, after_id, limit))
        return LoggedRows(columns=table.columns, rows=rows)

    def raw_texts(self, run_id: int, ids: Iterable[int]) -> dict[int, str]:
        """Return the instrument's own text of those readings that have one."""
        wanted = json.dumps([int(one) for one in ids])
        return dict(self._all(row_mapping.RAW_TEXTS, (run_id, wanted)))

    def raw_within(self, run_id: int, first_id: int, last_id: int) -> dict[int, str]:
        """Return the instrument's own text of readings within a range of ids."""
        return dict(self._all(row_mapping.RAW_WITHIN, (run_id, first_id, last_id)))

    def stamped_within(
        self, run_id: int, first_id: int, last_id: int, utc_ns: int
    ) -> list[int]:
        """Return the ids of readings within a range that have this very time stamp."""
        given = (run_id, first_id, last_id, utc_ns)
        return [row[0] for row in self._all(row_mapping.STAMPED_WITHIN, given)]

    def missing(self, rows: Sequence[Row]) -> tuple[Row, ...]:
        """Return those of single rows that are not here."""
        with self._translated():
            return missing_rows(self._connection, by_kind(rows))

    def is_in_order(self, run_id: int) -> bool:
        """Whether the readings of a run are in the order of their times."""
        with self._translated():
            return not any(backward_rows(self._connection, run_id))

    def _columns(self, run_id: int, after_id: int, limit: int) -> Columns:
        with self._translated():
            return read_columns(self._connection, run_id, after_id, limit)
