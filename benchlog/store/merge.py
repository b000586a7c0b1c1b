"""Bringing the runs of another database into this one: every row, under new ids.

What is here already (see `known`) is not brought in twice, so the same file may be
merged again and again. What could not be read here is not brought in: it is named, and
left where it is.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from benchlog.errors import DataError, StoreRefusedError, UnreadableRunError
from benchlog.store import duplicate_runs, grown_runs, sqlite, staged_blocks
from benchlog.store.derived.packed import bring_packed, pack_outlined
from benchlog.store.grown_runs import RunThere
from benchlog.store.integrity.references import highest_rows, refuse_dangling
from benchlog.store.integrity.row_check import bad_rows
from benchlog.store.integrity.row_numbers import next_run
from benchlog.store.logged_tables import LOGGED, READINGS, LoggedTable
from benchlog.store.merge_nouns import merge_nouns, renew_parts
from benchlog.store.opening import is_frozen
from benchlog.store.reader import Reader
from benchlog.store.said_of_runs import bring_all, bring_said
from benchlog.store.snapshot import without_programs
from benchlog.store.sqlite import Connection

_INSTRUMENT_HERE: Final = """
select h.id from other.instruments o join instruments h on h.maker = o.maker
  and h.model = o.model and h.serial = o.serial and h.firmware = o.firmware
  and h.text = o.text
where o.id = ?
"""
_DEVICE_HERE: Final = """
select h.id from other.devices o
  left join other.lots ol on ol.id = o.lot_id
  join devices h on h.part_id = o.part_id and h.device = o.device
  left join lots hl on hl.id = h.lot_id
where o.id = ? and hl.lot is ol.lot
"""
_THERE: Final = """
select id, device_id, instrument_id, ended_utc_ns is null from other.runs order by id
"""
_RUN: Final = """
insert into runs (id, purpose, device_id, instrument_id, position, bench, nominal_hz,
  divider, simulated, started_utc_ns, ended_utc_ns, ended_how, operator, note, software,
  snapshot, resolution_hz, control, uid)
select ?, purpose, ?, ?, position, bench, nominal_hz, divider, simulated,
  started_utc_ns, ended_utc_ns, ended_how, operator, note, software,
  without_programs(snapshot), resolution_hz, '', uid
from other.runs where id = ?
"""
_SEGMENT: Final = """
insert into segments (run_id, began_utc_ns, began_mono_ns, boot_id)
select ?, began_utc_ns, began_mono_ns, boot_id from other.segments where id = ?
"""
_SEGMENTS_OF: Final = "select id from other.segments where run_id = ? order by id"
_OUTLINE: Final = """
insert into outline (run_id, first_id, last_id, n, t0_utc_ns, t1_utc_ns, t0_mono_ns,
  t1_mono_ns, min_hz, max_hz, mean_hz, ambient_mean_c, flags)
select :here, :first + done, :first + done + n - 1, n, t0_utc_ns, t1_utc_ns, t0_mono_ns,
  t1_mono_ns, min_hz, max_hz, mean_hz, ambient_mean_c, flags
from (select *, sum(n) over (order by first_id) - n as done from other.outline
  where run_id = :there)
"""
_OUTLINE_LIES: Final = """
select exists(select 1 from other.outline o where run_id = :there and (
    n is not (select count(*) from other.readings r where r.run_id = :there
      and r.id between o.first_id and o.last_id)
    or (min_hz, max_hz) is not (select min(frequency_hz), max(frequency_hz)
      from other.readings r where r.run_id = :there
      and r.id between o.first_id and o.last_id)
    or not ifnull(mean_hz between min_hz * 0.999999999 and max_hz * 1.000000001, 0)
    or not ifnull(ambient_mean_c between -1e30 and 1e30, ambient_mean_c is null)))
"""
"""Whether blocks tell otherwise than the readings do: they are worked out anew then."""
_CHECKS: Final = """
select instrument_id, run_id, offset_ppm, u_ppm, method, at_utc_ns, valid_until_utc_ns
from other.reference_checks where id in (select value from json_each(?)) order by id
"""
_CHECK: Final = """
insert into reference_checks (instrument_id, run_id, offset_ppm, u_ppm, method,
  at_utc_ns, valid_until_utc_ns)
select :instrument, :run, :offset, :u, :method, :at, :until
where not exists (select 1 from reference_checks where instrument_id = :instrument
  and at_utc_ns = :at and method = :method)
"""
_NOTE: Final = """
insert into events (run_id, segment_id, utc_ns, mono_ns, kind, text, instrument)
values (?, null, ?, 0, 'note', ?, '')
"""

_ALL_IDS: Final = (-(2**63), 2**63 - 1)  # definition: what SQLite counts to


@dataclass(slots=True, kw_only=True)
class Merged:
    """What a merge brought in: new run ids by the ids there, what was here already.

    `open` are runs that have not ended there; they are left where they are. `said`
    counts verdicts and amendments brought to runs that were here already. `differing`
    were brought in beside the run here that they are copies of, with other readings, or
    left where they are as both went on apart, with all that was said of them, or with
    what was said of another part. `grown` went on there and here now. `left_out` could
    not be read, and why: `run 7`, `lot L-1`, ... `other_plans` are lots that have a
    plan there and another one here, which is kept.
    """

    brought: dict[int, int] = field(default_factory=dict)
    known: dict[int, int] = field(default_factory=dict)
    open: list[int] = field(default_factory=list)
    readings: int = 0
    said: int = 0
    differing: dict[int, int] = field(default_factory=dict)
    grown: dict[int, int] = field(default_factory=dict)
    left_out: dict[str, str] = field(default_factory=dict)
    other_plans: list[str] = field(default_factory=list)


def attach(connection: Connection, path: Path) -> None:
    """Open another database beside this one, read-only, as `other`."""
    how = "mode=ro&immutable=1" if is_frozen(path) else "mode=ro"
    uri = f"file:{quote(str(path.absolute()), errors='surrogateescape')}?{how}"
    connection.execute("attach ? as other", (uri,))
    connection.create_function("without_programs", 1, _without_programs)


def _without_programs(snapshot: Any) -> Any:
    return without_programs(snapshot)[0] if isinstance(snapshot, str) else snapshot


def bring_import(connection: Connection, reader: Reader) -> int:
    """Bring in the one run of a staging database; in the caller's transaction.

    `reader` has it open; SQLite need not look up references. Returns the number of the
    run here. Raises DataError when it could not be read afterwards, StoreRefusedError.
    """
    merged, before = Merged(), highest_rows(connection)
    merge_nouns(connection, reader, merged.left_out)
    renew_parts(connection)
    ((run, device, instrument, _),) = runs_there(connection)
    why = why_not(connection, reader, run, is_staged=True) or "; ".join(
        merged.left_out.values()
    )
    if why:
        raise DataError(f"what was read gives no run that can be kept: {why}")
    here, _ = bring_run(connection, run, device, instrument, is_staged=True)
    merged.brought[run] = here
    merge_checks(connection, reader, merged)
    refuse_dangling(connection, before)
    return here


def why_not(
    connection: Connection, reader: Reader, run: int, *, is_staged: bool = False
) -> str:
    """Return why a run there cannot be brought in; empty where it can."""
    try:
        reader.run(run)
    except UnreadableRunError as error:
        return error.why
    found = bad_rows(connection, run, "other.", is_staged=is_staged)
    return "; ".join(map(str, found))


def runs_there(connection: Connection) -> list[tuple[int, int, int | None, bool]]:
    """Return run, device, instrument, and whether it is open, of each run there."""
    return [
        (run, device, instrument, bool(is_open))
        for run, device, instrument, is_open in connection.execute(_THERE)
    ]


def merge_run(
    connection: Connection,
    there: tuple[int, int, int | None, bool],
    merged: Merged,
    note: tuple[int, str],
) -> None:
    """Bring in one run, unless it is here or still open; in the caller's transaction.

    `note` is when and from where, for an event of the run. Raises StoreRefusedError.
    """
    run, device, instrument, is_open = there
    if is_open:
        merged.open.append(run)
        return
    here_already, is_copy = _here(connection, run, merged)
    if here_already is not None:
        merged.known[run] = here_already
        rest = _rest_of(connection, run, here_already, is_copy, merged)
        said, stays = bring_said(connection, run, here_already, rest, is_copy=is_copy)
        if stays:
            merged.differing[run] = here_already
        merged.said += said
        return
    here, readings = bring_run(connection, run, device, instrument)
    merged.readings += readings
    connection.execute(_NOTE, (here, note[0], f"{note[1]} run {run}"))
    merged.brought[run] = here


def _rest_of(
    connection: Connection, run: int, here: int, is_copy: bool, merged: Merged
) -> RunThere:
    """Bring in what a run that is here already has logged there since."""
    if is_copy:
        is_same = duplicate_runs.has_same(connection, run, here)
        return RunThere.SAME if is_same else RunThere.BEHIND
    rest, readings = grown_runs.bring_in(connection, run, here)
    if rest is RunThere.APART:
        merged.differing[run] = here
    elif rest is RunThere.GROWN:
        merged.grown[run] = here
        merged.readings += readings
    return rest


def bring_run(
    connection: Connection,
    run: int,
    device: int,
    instrument: int | None,
    *,
    is_staged: bool = False,
) -> tuple[int, int]:
    """Bring in one run with all that is stored of it; in the caller's transaction.

    `is_staged`: this process has just written it, so that what is derived there can be
    believed. Returns its number here, and how many readings. Raises StoreRefusedError.
    """
    found = connection.execute(_DEVICE_HERE, (device,)).fetchone()
    if found is None:
        raise StoreRefusedError("its part, its lot or its device cannot be read")
    here = next_run(connection)
    given = (here, found[0], _instrument_here(connection, instrument), run)
    connection.execute(_RUN, given)
    readings = _logged(connection, run, here, is_staged=is_staged)
    bring_all(connection, run, here)
    return here, readings


def _here(connection: Connection, run: int, merged: Merged) -> tuple[int | None, bool]:
    """Return which run here is that one, and whether one of them is an import.

    That is so by its UUID. An import that was changed, or came in twice on purpose, is
    a run of its own: a copy must have the same readings, and two runs of one file are
    never the same.
    """
    for same, is_copy in connection.execute(duplicate_runs.SAME, (run,)).fetchall():
        if is_copy and duplicate_runs.has_more(connection, run, same):
            merged.differing[run] = same  # exported before it was over
        return same, bool(is_copy)
    brought = set(merged.brought.values())
    copies = [
        one for (one,) in connection.execute(duplicate_runs.COPIES, (run,)).fetchall()
    ]
    copies = [one for one in copies if one not in brought]
    if not copies:
        return None, False
    there = connection.execute(
        duplicate_runs.READ.format("other."), {"run": run}
    ).fetchone()
    for copy in copies:
        read = connection.execute(
            duplicate_runs.READ.format(""), {"run": copy}
        ).fetchone()
        if read == there:
            return copy, True
    merged.differing[run] = copies[0]
    return None, False


def merge_checks(connection: Connection, reader: Reader, merged: Merged) -> None:
    """Bring in reference checks that are not here; in the caller's transaction.

    One that belongs to a run that stays there stays, too.
    """
    runs = {**merged.known, **merged.brought}
    sound = json.dumps([number for number, _ in reader.reference_checks()])
    merged.left_out.update(reader.left_out)
    for instrument, run, *rest in connection.execute(_CHECKS, (sound,)).fetchall():
        if run is not None and run not in runs:
            continue
        names = ("offset", "u", "method", "at", "until")
        given: Mapping[str, object] = {
            "instrument": _instrument_here(connection, instrument),
            "run": runs.get(run),
            **dict(zip(names, rest, strict=True)),
        }
        connection.execute(_CHECK, given)


def _instrument_here(connection: Connection, there: int | None) -> int | None:
    if there is None:
        return None
    found = connection.execute(_INSTRUMENT_HERE, (there,)).fetchone()
    return None if found is None else int(found[0])


def _logged(connection: Connection, run: int, here: int, *, is_staged: bool) -> int:
    """Bring in segments and what was logged; return how many readings."""
    segments = {
        there: connection.execute(_SEGMENT, (here, there)).lastrowid
        for (there,) in connection.execute(_SEGMENTS_OF, (run,)).fetchall()
    }
    last_id = connection.execute("select ifnull(max(id), 0) from readings").fetchone()
    readings = 0
    for table in LOGGED:
        copy = partial(_copy, connection, table, (run, here), segments)
        if table is not READINGS:
            copy()
        elif not is_staged:
            readings = copy()
        else:
            with sqlite.unchecked(connection):  # looked at as they were staged
                readings = staged_blocks.bring(connection, (run, here), segments, copy)
    first = {"first": last_id[0] + 1, "here": here, "there": run}
    if is_staged:
        connection.execute(_OUTLINE, first)
        bring_packed(connection, run, here, first["first"], segments)
    elif not connection.execute(_OUTLINE_LIES, first).fetchone()[0]:
        connection.execute(_OUTLINE, first)
        pack_outlined(connection, here)
    return readings


def _copy(
    connection: Connection,
    table: LoggedTable,
    runs: tuple[int, int],
    segments: Mapping[int, int | None],
    ids: tuple[int, int] = _ALL_IDS,
) -> int:
    """Copy rows of a run there to it here, its segments renumbered in SQL.

    Of those from the first to the last of `ids`. Returns how many.
    """
    plain = ", ".join(table.noun_columns)
    sql = (
        f"insert into {table.name} (run_id, segment_id, {plain})"  # noqa: S608 - ours
        f" select ?, {grown_runs.renumbered(segments)}, {plain} from other.{table.name}"
        " where run_id = ? and id between ? and ? order by id"
    )
    return connection.execute(sql, (runs[1], runs[0], *ids)).rowcount
