"""The one way out of the database: read-only, in short transactions."""

import json
from collections.abc import Iterable, Iterator, Mapping
from itertools import islice
from typing import Any, Final

from benchlog.errors import DataError, NotFoundError, UnreadableRunError
from benchlog.model import (
    Columns,
    Condition,
    Edge,
    Event,
    Frequencies,
    Part,
    Phases,
    Pulses,
    Purpose,
    ReferenceCheck,
    Run,
)
from benchlog.store import duplicate_runs, lots, row_mapping, sqlite
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
from benchlog.store.identity import RUN_HERE, derived_uid
from benchlog.store.logged_tables import (
    CONDITIONS,
    EDGES,
    EVENTS,
    LoggedRows,
    LoggedTable,
)
from benchlog.store.lot_reader import LotReader
from benchlog.store.opening import opened
from benchlog.store.rows import (
    Amendment,
    ConditionSpan,
    Outline,
    Segment,
    VerdictRow,
)
from benchlog.store.run_queries import PAGE, RunFilter, newest_first, read_runs
from benchlog.store.snapshot import UNREADABLE, part_from, why_unreadable
from benchlog.store.snapshot_types import parsed

_LEAST_ID: Final = -(2**63)
_MOST_ID: Final = 2**63 - 1
_IDS_FROM: Final = "select id from runs where id >= ? order by id limit ?"


class Reader(LotReader):
    """What one database holds: runs, their rows, lots, checks; for one thread.

    `original` is the database it tells of: `path` itself, or what that is a copy of.
    """

    def run(self, run_id: int) -> Run:
        """Return one run.

        Raises NotFoundError, naming the runs there are, UnreadableRunError for one that
        is damaged or in quarantine.
        """
        for run in self._runs(first=run_id, last=run_id, limit=1):
            return run
        why = self.left_out.pop(f"run {run_id}", "")
        if why:
            raise UnreadableRunError(run_id, why)
        known = self._all("select id from runs", ())
        raise NotFoundError("run", str(run_id), [str(row[0]) for row in known])

    def same_run(self, header: Mapping[str, Any]) -> int | None:
        """Return the run that an export with this head came from, or a copy of it."""
        rows = self._all(RUN_HERE, {"uid": derived_uid(header)})
        rows = rows or self._all(duplicate_runs.HERE, duplicate_runs.first_of(header))
        return rows[0][0] if rows else None

    def number_of(self, uid: str) -> int | None:
        """Return the number that the run of this UUID has here, None without it."""
        rows = self._all(RUN_HERE, {"uid": uid})
        return int(rows[0][0]) if rows else None

    def made_utc_ns(self, run: Run) -> tuple[int | None, int | None]:
        """Return when the readings of a run were made, from when to when.

        That is when it began and ended; of an import what its file says, or its first
        and last reading; None where they have no time stamps, or it goes on.
        """
        if run.purpose is not Purpose.IMPORT or run.exported:
            return run.made_utc_ns
        last_id = self.last_id(run.id)
        ends = (self._columns(run.id, at, 1).utc_ns for at in (0, last_id - 1))
        first, last = (int(end[0]) if len(end) else -1 for end in ends)
        return (first, last) if min(first, last) >= 0 else (None, None)

    def latest_run(self) -> Run | None:
        """Return the run begun last, None when there is none."""
        runs = self.runs(limit=1)
        return runs[0] if runs else None

    def runs(
        self,
        *,
        device: str | None = None,
        part: str | None = None,
        lot: str | None = None,
        limit: int = 100,
    ) -> list[Run]:
        """Return runs, the newest first, of this device, part and lot where given."""
        wanted = {"device": device, "part": part, "lot": lot}
        return list(islice(self._newest_first(wanted, min(limit, PAGE)), limit))

    def found_runs(
        self,
        *,
        device: str | None = None,
        part: str | None = None,
        lot: str | None = None,
        since_utc_ns: int | None = None,
        like: str | None = None,
    ) -> Iterator[Run]:
        """Return the runs that all of this fits, the newest first, read page by page.

        `like` is found anywhere in device, part, lot, bench, operator and note, in
        capitals or not.
        """
        wanted = {"device": device, "part": part, "lot": lot, "like": like}
        return self._newest_first({**wanted, "since": since_utc_ns})

    def soaks(self, part: str) -> Iterator[Run]:
        """Yield the soaks of a kind of part, the newest first, copies left out."""
        return self._newest_first({"part": part, "purpose": Purpose.SOAK.value})

    def all_runs(self, page: int = PAGE) -> Iterator[Run]:
        """Yield all runs, the oldest first, a page of them in memory at a time."""
        return self.runs_from(_LEAST_ID, page)

    def runs_from(self, first: int, page: int = PAGE) -> Iterator[Run]:
        """Yield the runs of this number and higher ones, as `all_runs`."""
        while ids := self._all(_IDS_FROM, (first, page)):
            last = ids[-1][0]
            if last < first:
                raise sqlite.out_of_order("runs")
            yield from reversed(self._runs(first=first, last=last, limit=page))
            if last == _MOST_ID:
                return
            first = last + 1

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

    def results(self) -> list[dict[str, Any]]:
        """Return the rows of the view `results`: each device's newest that counts.

        With them comes what was judged at the reference temperature, if anything was.
        """
        return self._named(row_mapping.RESULTS, ())

    def part_ids(self) -> list[str]:
        """Return the ids of all parts that were ever used."""
        rows = self._all("select id from parts order by id", ())
        return [one for (one,) in rows if isinstance(one, str)]

    def part(self, part_id: str) -> Part:
        """Return a part as it was last used. Raises NotFoundError."""
        for row in self._all(lots.PART_OF, (part_id,)):
            try:
                return part_from(parsed(row[0]))
            except UNREADABLE as error:
                why = why_unreadable(error)
                raise DataError(f"part {part_id} cannot be read: {why}") from error
        raise NotFoundError("part", part_id, (), "in this database")

    def standing_checks(
        self, serial: str, who: tuple[str, str, str] | None = None
    ) -> list[ReferenceCheck]:
        """Return the checks of this serial number, the newest last; no voided ones.

        Makers number alike: `who` (maker, model, serial) leaves out what is another's.
        Which of them rules at a time, `verdict.timebase.governing_check` tells.
        """
        if not serial:
            return []
        rows = self._named(row_mapping.STANDING_CHECKS, {"serial": serial})
        found = [one for _, one in self._checks_in(rows)]
        return [one for one in found if who is None or one.instrument.who == who]

    def reference_checks(
        self, serial: str | None = None
    ) -> list[tuple[int, ReferenceCheck]]:
        """Return the checks of an instrument (of all), the newest last, with ids.

        Voided ones, too: they say so.
        """
        rows = self._named(row_mapping.ALL_CHECKS, {"serial": serial})
        return list(self._checks_in(rows))

    def _columns(self, run_id: int, after_id: int, limit: int) -> Columns:
        with self._translated():
            return read_columns(self._connection, run_id, after_id, limit)

    def _runs(self, **wanted: object) -> list[Run]:
        return read_runs(self._named, wanted, self.left_out)

    def _newest_first(self, wanted: RunFilter, page: int = PAGE) -> Iterator[Run]:
        return newest_first(self._named, wanted, self.left_out, page)

    def _checks_in(
        self, rows: Iterable[Mapping[str, Any]]
    ) -> Iterator[tuple[int, ReferenceCheck]]:
        """Yield checks with their ids; those that cannot be read are noted."""
        for row in rows:
            try:
                yield row["id"], row_mapping.reference_check_from(row)
            except ValueError as error:
                self.left_out[f"reference check {row['id']}"] = str(error)
