"""Runs and reference checks out of the database; nothing here needs an array."""

from collections.abc import Iterable, Iterator, Mapping
from itertools import islice
from typing import Any, Final

from benchlog.errors import DataError, NotFoundError, UnreadableRunError
from benchlog.model import Part, Purpose, ReferenceCheck, Run
from benchlog.store import duplicate_runs, sqlite
from benchlog.store.changes import ChangeReader
from benchlog.store.check_rows import (
    ALL_CHECKS,
    STANDING_CHECKS,
    reference_check_from,
)
from benchlog.store.identity import RUN_HERE, derived_uid
from benchlog.store.run_queries import PAGE, RunFilter, newest_first, read_runs
from benchlog.store.schema.quarantine_table import FIGURES
from benchlog.store.snapshot import UNREADABLE, part_from, why_unreadable
from benchlog.store.snapshot_types import parsed

_LEAST_ID: Final = -(2**63)
_MOST_ID: Final = 2**63 - 1
_IDS_FROM: Final = "select id from runs where id >= ? order by id limit ?"
_PART_OF: Final = "select body from parts where id = ?"
_FIRST_UTC: Final = """
select ifnull(utc_ns, -1) from readings where run_id = ? order by id limit 1
"""
_LAST_UTC: Final = _FIRST_UTC.replace("by id", "by id desc")

_RESULTS: Final = f"""
select r.*, json_extract({FIGURES}, '$.at_reference.temperature_c') as reference_c
from results r left join verdicts v on v.id = (select id from verdicts
  where run_id = r.run order by at_utc_ns desc, id desc limit 1)
"""  # noqa: S608 - our own text
"""The view `results`, and the reference temperature where readings were brought there;
`reference_c` is null where none were."""


class RunReader(ChangeReader):
    """What one database holds of runs, as lists of them show it; for one thread."""

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
        ends = [self._all(sql, (run.id,)) for sql in (_FIRST_UTC, _LAST_UTC)]
        first, last = (end[0][0] if end else -1 for end in ends)
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

    def results(self) -> list[dict[str, Any]]:
        """Return the rows of the view `results`: each device's newest that counts.

        With them comes the temperature that readings were brought to, if any were.
        """
        return self._named(_RESULTS, ())

    def part_ids(self) -> list[str]:
        """Return the ids of all parts that were ever used."""
        rows = self._all("select id from parts order by id", ())
        return [one for (one,) in rows if isinstance(one, str)]

    def part(self, part_id: str) -> Part:
        """Return a part as it was last used. Raises NotFoundError."""
        for row in self._all(_PART_OF, (part_id,)):
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
        rows = self._named(STANDING_CHECKS, {"serial": serial})
        found = [one for _, one in self._checks_in(rows)]
        return [one for one in found if who is None or one.instrument.who == who]

    def reference_checks(
        self, serial: str | None = None
    ) -> list[tuple[int, ReferenceCheck]]:
        """Return the checks of an instrument (of all), the newest last, with ids.

        Voided ones, too: they say so.
        """
        rows = self._named(ALL_CHECKS, {"serial": serial})
        return list(self._checks_in(rows))

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
                yield row["id"], reference_check_from(row)
            except ValueError as error:
                self.left_out[f"reference check {row['id']}"] = str(error)
