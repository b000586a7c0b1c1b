"""A dataset: many benches' databases as Parquet that one query reads together.

Where its files lie, `packs` tells; DIR/queries.sql has questions, explained. Partition
values are percent-encoded, months are UTC. A database replaces its own packs and those
of no other, and only where something of their runs has changed: what has not is copied
from the pack before. Runs that go on are left out. No run is ever taken out of a
dataset because a database does not have it any more: that is an older copy.
"""

import hashlib
import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from benchlog.clock import host_clock
from benchlog.errors import DataError, UnreadableRunError
from benchlog.evaluation.judged_alone import judged_alone
from benchlog.exchange.arrow import arrow
from benchlog.exchange.dataset import older
from benchlog.exchange.dataset.addresses import folder_at
from benchlog.exchange.dataset.columns import day_of, lots_schema, runs_schema
from benchlog.exchange.dataset.folders import EVERYBODY, Folder
from benchlog.exchange.dataset.own_folder import QUERIES
from benchlog.exchange.dataset.packs import (
    SHARED,
    Pack,
    PackNames,
    Place,
    RunKey,
    as_schema,
    drop_runs,
    in_pack,
    packs_of,
    place_fault,
    read_runs_of,
    readings_of_pack,
    remove_pack,
    remove_strays,
    write_pack,
    write_table,
)
from benchlog.exchange.dataset.rows import lot_rows, readings_of, run_row
from benchlog.exchange.dataset.state import (
    FORM,
    STATE,
    lots_file,
    mark_of,
    state_in,
)
from benchlog.exchange.dataset.stored import Stored, WantedRun
from benchlog.model import Lot, Run
from benchlog.store.reader import Reader
from benchlog.verdict.timebase.check_validity import KnownChecks

_MONTH: Final = len("2026-11")


@dataclass(slots=True, kw_only=True)
class Written:
    """What an export to a dataset did; `readings` were read from the database.

    `runs` are there now, `fresh` of them were not there before, or were otherwise.
    """

    source: str
    runs: int = 0
    fresh: int = 0
    readings: int = 0
    files: int = 0
    unchanged: int = 0
    left_out: list[int] = field(default_factory=list)


def write_dataset(
    reader: Reader,
    address: str | Path | Folder,
    progress: Callable[[int, int], None] | None = None,
) -> Written:
    """Bring a database into a dataset; memory does not grow with its size.

    A dataset of the older form becomes one of this form. Raises BenchlogError where
    pyarrow is missing or a file cannot be written, DataError when the database holds no
    run.
    """
    arrow("pyarrow.parquet")
    written = Written(source=reader.database_uid())
    if reader.latest_run() is None:
        raise DataError("the database holds no run: there is nothing to export")
    folder = folder_at(address)
    scope = EVERYBODY if older.is_of_before(folder) else written.source
    with folder.only_writer(scope):
        export = _Export(reader, folder, written)
        export.clear_away()
        if not export.is_there():
            export.bring(progress)
    return written


class _Export:
    """One database on its way into one dataset."""

    def __init__(self, reader: Reader, folder: Folder, written: Written) -> None:
        self._reader, self._folder, self._written = reader, folder, written
        self._source = written.source
        self._mark = mark_of(reader)
        self._left: list[Pack] = []
        """Packs with a run that goes to another place: there until it has come."""

    def clear_away(self) -> None:
        """Bring what is of the older form up to date; remove what a crash has left."""
        older.convert(self._folder, host_clock().utc_ns())
        remove_strays(self._folder, (self._source, SHARED))

    def is_there(self) -> bool:
        """Whether all of the database is in the dataset as it is; counts it then."""
        if not self._folder.has(self._lots_file):
            return False
        state = state_in(self._folder, self._lots_file)
        packs = packs_of(self._folder)
        own = sorted(pack.name for pack in packs if pack.source == self._source)
        shared = {pack.name for pack in packs if pack.source == SHARED}
        if state.get("mark") != self._mark or state.get("packs") != own:
            return False
        if not shared >= set(state.get("shared", ())):
            return False
        self._written.runs, self._written.left_out = state["runs"], state["left_out"]
        self._reader.left_out.update(state["unreadable"])
        self._written.unchanged = 1 + 2 * len(own)
        return True

    def bring(self, progress: Callable[[int, int], None] | None) -> None:
        """Write what has changed."""
        packs = packs_of(self._folder)
        names = PackNames(packs, host_clock().utc_ns())
        wanted = {one.run.uid: one for one in self._wanted()}
        stored = Stored(self._folder, packs, self._source)
        by_place: defaultdict[Place, list[WantedRun]] = defaultdict(list)
        for one in wanted.values():
            by_place[one.place].append(one)
        known = self._reader.run_uids()
        keep = {
            pack: stored.to_keep(pack, wanted, known)
            for packs in stored.own.values()
            for pack in packs
        }
        self._left = [pack for pack in keep if stored.is_left(pack, wanted)]
        for place in sorted({*by_place, *stored.own}, key=lambda key: key[::-1]):
            ours = by_place.get(place, [])
            fresh = [one for one in ours if not stored.has(one)]
            kept = {pack: keep[pack] for pack in stored.own.get(place, ())}
            is_whole = all(len(kept[one]) == len(stored.in_pack[one]) for one in kept)
            if fresh or not is_whole or len(kept) > 1:
                pack = Pack(place, self._source, names.next())
                brought = self._bring_place(pack, fresh, kept)
                self._written.runs += brought - len(fresh)
                self._written.fresh += brought
            else:
                self._written.unchanged += 2 * len(kept)
            self._written.runs += len(ours)
            if progress is not None:
                progress(self._written.runs, len(wanted))
        for pack in self._left:
            remove_pack(self._folder, pack)
        for pack, uids in stored.to_leave(wanted, known).items():
            self._drop_from(pack, uids, names)
        self._drop_older(wanted.values(), names)
        self._write_queries()
        self._write_lots()

    def _wanted(self) -> Iterator[WantedRun]:
        reader = self._reader
        checks = KnownChecks(check for _, check in reader.reference_checks())
        lots, told = _lots_by_key(reader), reader.told_utc_ns()
        for found in reader.all_runs():
            if found.open:
                self._written.left_out.append(found.id)
                continue
            if fault := place_fault(found.part.id):
                reader.leave_out(UnreadableRunError(found.id, fault))
                continue
            run = checks.of(found)
            began = reader.made_utc_ns(run)[0]
            month = day_of(run.started_utc_ns if began is None else began)[:_MONTH]
            as_of = told[run.id]
            lot = lots.get(_lot_of(run))
            depends = (FORM, run, lot and (lot.supplier, lot.size), as_of)
            revision = hashlib.sha256(repr(depends).encode("utf-8", "replace"))
            yield WantedRun(
                run=run,
                place=(run.part.id, month),
                revision=revision.hexdigest()[:32],
                as_of_utc_ns=as_of,
                began_utc_ns=began,
            )

    def _bring_place(
        self, pack: Pack, fresh: list[WantedRun], kept: Mapping[Pack, set[str]]
    ) -> int:
        """Put a pack in the place of those before; of nothing none is made.

        Returns how many of the fresh runs came in.
        """
        lots = _lots_by_key(self._reader)
        with_rows = list(self._with_rows(fresh, pack, lots))
        if with_rows or any(kept.values()):
            self._write_pack(pack, with_rows, kept)
        for old in kept:
            if old not in self._left:
                remove_pack(self._folder, old)
        return len(with_rows)

    def _with_rows(
        self,
        fresh: Iterable[WantedRun],
        pack: Pack,
        lots: Mapping[tuple[str, str | None], Lot],
    ) -> Iterator[tuple[Run, dict[str, Any]]]:
        """Yield the runs that have a row in the table of runs, and these rows."""
        pa, schema = arrow(), runs_schema()
        for one in fresh:
            try:
                with judged_alone(one.run):
                    row = self._row(one, pack, lots)
                    pa.Table.from_pylist([row], schema=schema)
            except UnreadableRunError as error:
                self._reader.leave_out(error)
                continue
            yield one.run, row

    def _write_pack(
        self,
        pack: Pack,
        fresh: list[tuple[Run, dict[str, Any]]],
        kept: Mapping[Pack, set[str]],
    ) -> None:
        pa, compute = arrow(), arrow("pyarrow.compute")
        schema, folder = runs_schema(), self._folder
        tables = [pa.Table.from_pylist([row for _, row in fresh], schema=schema)]
        for old, uids in kept.items():
            table = read_runs_of(folder, old)
            mine = compute.is_in(
                table.column("run_uid"), value_set=pa.array(sorted(uids), pa.string())
            )
            tables.append(as_schema(in_pack(table.filter(mine), pack.name), schema))
        runs = pa.concat_tables(tables).sort_by([("run", "ascending")])

        def own(uids: set[str]) -> set[RunKey]:
            return {(self._source, uid) for uid in uids}

        def readings() -> Iterator[Any]:
            for old, uids in kept.items():
                yield from readings_of_pack(folder, old, own(uids), pack.name)
            for run, row in fresh:
                for table in readings_of(pa, self._reader, run, row):
                    self._written.readings += table.num_rows
                    yield table

        write_pack(folder, pack, runs, readings())
        self._written.files += 2

    def _row(
        self, one: WantedRun, pack: Pack, lots: Mapping[tuple[str, str | None], Lot]
    ) -> dict[str, Any]:
        row = run_row(self._reader, one.run, lots.get(_lot_of(one.run)))
        return {
            **row,
            "source": self._source,
            "pack": pack.name,
            "revision": one.revision,
            "as_of_utc_ns": one.as_of_utc_ns,
        }

    def _drop_from(self, pack: Pack, uids: set[str], names: PackNames) -> None:
        """Take runs of this database out of a pack that several share."""

        def leaves(row: Mapping[str, Any]) -> bool:
            return row["source"] == self._source and row["run_uid"] in uids

        if drop_runs(self._folder, pack, leaves, names):
            self._written.files += 2

    def _drop_older(self, wanted: Iterable[WantedRun], names: PackNames) -> None:
        """Take out what is here from before runs had a UUID, and is there by it now."""
        keys = {older.key_of_run(one.run, one.began_utc_ns) for one in wanted}
        older.drop_known(self._folder, keys, names)

    def _write_queries(self) -> None:
        queries = (files("benchlog.exchange.dataset") / QUERIES).read_bytes()
        known = self._folder.has(QUERIES) and self._folder.read(QUERIES, len(queries))
        if known != queries:
            self._folder.put(QUERIES, queries)

    @property
    def _lots_file(self) -> str:
        return lots_file(self._source)

    def _write_lots(self) -> None:
        """Write the lots, and what the dataset holds of the database: the last file."""
        packs = packs_of(self._folder)
        state = {
            "mark": self._mark,
            "written_utc_ns": host_clock().utc_ns(),
            "told_utc_ns": max(self._reader.told_utc_ns().values(), default=0),
            "packs": sorted(one.name for one in packs if one.source == self._source),
            "shared": sorted(one.name for one in packs if one.source == SHARED),
            "runs": self._written.runs,
            "left_out": self._written.left_out,
        }
        rows = lot_rows(self._reader, self._source)
        state["unreadable"] = self._reader.left_out
        schema = lots_schema().with_metadata({STATE: json.dumps(state).encode()})
        table = arrow().Table.from_pylist(rows, schema=schema)
        write_table(self._folder, self._lots_file, table)
        self._written.files += 1


def _lot_of(run: Run) -> tuple[str, str | None]:
    """Return the lot of a run; a verdict on another part puts it into no other."""
    return run.part_id or run.part.id, run.lot


def _lots_by_key(reader: Reader) -> dict[tuple[str, str | None], Lot]:
    return {(lot.part_id, lot.lot): lot for lot in reader.lots()}
