"""Rows of a bench's database in the shape of the tables over there."""

from collections import OrderedDict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Final
from uuid import UUID

from benchlog.forwarding.postgres import values
from benchlog.forwarding.postgres.fitting import fitting
from benchlog.forwarding.postgres.tables import (
    BULK,
    CHECKS,
    DEVICES,
    EVENTS,
    LOTS,
    PARTS,
    QUARANTINE,
    RUNS,
    SEGMENTS,
    VERDICTS,
    CentralTable,
)
from benchlog.store.identity import uid_of
from benchlog.store.tail.tail_reader import Row, TailReader
from benchlog.units import NS_PER_S

_MOST_RUNS: Final = 5_000  # our rule: what is known of runs stays within 2 MB
_LONGEST: Final = 500
"""Octets of a text in a key; our rule: a page of an index takes 2,700 in all."""
_FIRST, _LAST = date(2000, 1, 1), date(2100, 1, 1)
_EVENT_CONTENT: Final = slice(3, None)
_CONTENT: Final = slice(2, None)
_RUN: Final = RUNS.sent.index("run")


@dataclass(frozen=True, slots=True)
class RunName:
    """A run as others know it, and the month in which it began."""

    uid: UUID
    month: date


class Shaping:
    """Shapes rows of one database; knows the runs and counts that it met last.

    With `only_fitting` each row is held against its columns over there first.
    """

    def __init__(
        self, reader: TailReader, source: UUID, *, only_fitting: bool = False
    ) -> None:
        self._reader, self._source = reader, source
        self.only_fitting = only_fitting
        self._named: OrderedDict[int, RunName | None] = OrderedDict()
        self._next: OrderedDict[tuple[str, int], int] = OrderedDict()

    def named(self, runs: Iterable[int]) -> dict[int, RunName]:
        """Return those of these runs that have a UUID; the others are noted."""
        wanted = set(runs)
        unknown = wanted - self._named.keys()
        if unknown:
            found = self._reader.names(unknown)
            for run in unknown:
                self._named[run] = self._name(run, *found.get(run, ("", 0)))
        result = {run: one for run in wanted if (one := self._named[run]) is not None}
        while len(self._named) > _MOST_RUNS:
            self._named.popitem(last=False)
        return result

    def _name(self, run: int, uid: str, started_utc_ns: int) -> RunName | None:
        known = uid_of(uid)
        if known is None:
            self._reader.left_out[f"run {run}"] = "it has no UUID"
            return None
        return RunName(UUID(known), month_of(started_utc_ns))

    def shaped(self, table: CentralTable, rows: list[Row]) -> list[Row]:
        """Return rows in the order of `table.sent`; those of runs without UUID not."""
        found = self._shaped(table, rows)
        return self._fitting(table, found) if self.only_fitting else found

    def _fitting(self, table: CentralTable, rows: list[Row]) -> list[Row]:
        return fitting(table, rows, self._reader.left_out)

    def _shaped(self, table: CentralTable, rows: list[Row]) -> list[Row]:
        if table is DEVICES:
            return self._devices(rows)
        named = self.named(row[1] for row in rows if row[1] is not None)
        if table is QUARANTINE:
            return [self._of_source(row, named) for row in rows]
        if table is CHECKS:
            return [self._check(row, named) for row in rows]
        rows = [row for row in rows if row[1] in named]
        if table is SEGMENTS:
            return [
                (named[row[1]].uid, n, *map(values.plain, row[2:]))
                for row, n in self._numbered(table.name, rows)
            ]
        if table.name in BULK:
            return list(self._bulk(table, rows, named))
        return list(self._said(table, rows, named))

    def _devices(self, rows: list[Row]) -> list[Row]:
        found = []
        for number, _, device, part, lot in rows:
            if not are_short(device, part, lot):
                self._reader.left_out[f"device {number}"] = "its name is too long"
                continue
            found.append((values.text(device), values.text(part), _lot(lot)))
        return found

    def _of_source(self, row: Row, named: dict[int, RunName]) -> Row:
        number, run, *rest = row
        uid = named[run].uid if run in named else None
        return (self._source, number, uid, *map(values.plain, rest))

    def _check(self, row: Row, named: dict[int, RunName]) -> Row:
        number, run, *rest = row
        uid = named[run].uid if run in named else None
        key = values.digest((uid, *rest))
        return (key, self._source, number, uid, *map(values.plain, rest))

    def _said(
        self, table: CentralTable, rows: list[Row], named: dict[int, RunName]
    ) -> Iterator[Row]:
        segments = self._segments(row[1] for row in rows) if table is EVENTS else {}
        for row in rows:
            number, run = row[:2]
            first = (named[run].uid, None, self._source, number)
            if table is EVENTS:
                content = row[_EVENT_CONTENT]
                shaped = (segments.get(row[2]), *map(values.plain, content))
            else:
                content = row[_CONTENT]
                shaped = tuple(map(values.plain, content))
            if table is VERDICTS:
                shaped = (*shaped[:-1], values.json_text(row[-1]))
            yield (first[0], values.digest(content), *first[2:], *shaped)

    def _bulk(
        self, table: CentralTable, rows: list[Row], named: dict[int, RunName]
    ) -> Iterator[Row]:
        segments = self._segments({row[1] for row in rows})
        texts = [
            place
            for place, name in enumerate(table.sent[4:])
            if table.columns[name].startswith("text")
        ]
        for row, n in self._numbered(table.name, rows):
            one, rest = named[row[1]], list(row[3:])
            for place in texts:
                rest[place] = values.plain(rest[place])
            yield (one.uid, n, one.month, segments[row[2]], *rest)

    def _segments(self, runs: Iterable[int]) -> dict[int, int]:
        return self._reader.segment_numbers(set(runs))

    def _numbered(self, kind: str, rows: list[Row]) -> Iterator[tuple[Row, int]]:
        """Yield rows with their number in their run, counted from 1."""
        known = self._next
        for row in rows:
            key = (kind, row[1])
            n = known.get(key)
            if n is None:
                n = self._reader.rows_before(kind, row[1], row[0]) + 1
            known[key] = n + 1
            yield row, n
        while len(known) > _MOST_RUNS:
            known.popitem(last=False)

    def runs(self, numbers: Iterable[int]) -> list[Row]:
        """Return the rows of these runs over there."""
        wanted = self.named(numbers)
        found = []
        for row in self._reader.run_rows(wanted):
            run, _, purpose, made_for, device, part, lot = row[:7]
            if not are_short(device, part, lot):
                self._reader.left_out[f"run {run}"] = "the name of its device is long"
                self._named[run] = None
                continue
            rest = list(map(values.plain, row[7:-1]))
            rest[4] = bool(rest[4])  # simulated
            rest[9] = bool(rest[9])  # planned
            found.append(
                (
                    wanted[run].uid,
                    self._source,
                    run,
                    *map(values.plain, (purpose, made_for, device, part, lot)),
                    *rest,
                    values.snapshot_text(row[-1]),
                )
            )
        return self._fitting_runs(found) if self.only_fitting else found

    def _fitting_runs(self, rows: list[Row]) -> list[Row]:
        """Leave out what does not fit, with all that belongs to it."""
        found = self._fitting(RUNS, rows)
        kept = {row[_RUN] for row in found}
        for row in rows:
            if row[_RUN] not in kept:
                self._named[row[_RUN]] = None
        return found

    def parts(self) -> list[Row]:
        """Return the rows of all parts over there."""
        found = [
            (self._source, *map(values.plain, row[:-1]), values.json_text(row[-1]))
            for row in self._reader.part_rows()
            if are_short(row[0])
        ]
        return self._fitting(PARTS, found)

    def lots(self) -> list[Row]:
        """Return the rows of all lots over there."""
        found = [
            (
                self._source,
                *map(values.plain, row[:4]),
                values.json_text(row[4]),
                *map(values.plain, row[5:]),
            )
            for row in self._reader.lot_rows()
            if are_short(row[0], row[1])
        ]
        return self._fitting(LOTS, found)


def month_of(utc_ns: int) -> date:
    """Return the first day of a moment's month; of odd years that of all others."""
    try:
        found = datetime.fromtimestamp(utc_ns // NS_PER_S, UTC).date().replace(day=1)
    except (TypeError, ValueError, OverflowError, OSError):
        return date(1970, 1, 1)
    return found if _FIRST <= found < _LAST else date(1970, 1, 1)


def are_short(*texts: str | None) -> bool:
    """Whether texts can be in a key over there."""
    return all(
        isinstance(one, str)
        and len(one.encode("utf-8", "backslashreplace")) <= _LONGEST
        for one in texts
        if one is not None
    )


def _lot(lot: str | None) -> str:
    return "" if lot is None else values.text(lot)
