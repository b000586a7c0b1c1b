"""The runs and lots of a dataset, each once, whatever copies it has of them.

That is the rule of the views `run_states` and `runs` in `queries.sql`: what was
measured before what was imported, then what was judged last, as its part or another,
then what was told last, then what was written last. Whether a run is void, set aside or
damaged, of which device and lot it is, and who measured it, is each told by the copy
that said so last, whatever else was said in another one since.
"""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from math import inf
from pathlib import Path
from typing import Any, Final

import numpy as np

from benchlog.errors import DataError
from benchlog.exchange.arrow import arrow
from benchlog.exchange.dataset.addresses import folder_at
from benchlog.exchange.dataset.columns import lots_schema
from benchlog.exchange.dataset.folders import Folder
from benchlog.exchange.dataset.older import old_files, old_runs
from benchlog.exchange.dataset.packs import (
    LOTS,
    packs_of,
    read_runs_of,
)
from benchlog.exchange.dataset.parquet_files import MemoryAllowance, small_file
from benchlog.model import Decision, Kind, Purpose
from benchlog.store.snapshot import UNREADABLE, why_unreadable
from benchlog.store.snapshot_types import check_columns, check_word, columns_of
from benchlog.units import printable

_ORDER: Final = (
    ("run_uid", "ascending"),
    ("imported", "ascending"),
    ("judged_utc_ns", "descending"),
    ("as_of_utc_ns", "descending"),
    ("pack", "descending"),
    ("source", "descending"),
)
"""What decides which row of a run counts: the first in this order."""
_STATES: Final = {
    "void_utc_ns": ("void",),
    "aside_utc_ns": ("set_aside", "held", "aside"),
    "damaged_utc_ns": ("damaged",),
    "device_utc_ns": ("device", "device_typed"),
    "lot_utc_ns": ("lot", "supplier", "lot_size", "inspected"),
    "operator_utc_ns": ("operator",),
    "as_of_utc_ns": ("unfinished", "replaced", "marked"),
}
"""By the time when it was said, what a copy tells of a run."""
_REASONS: Final = ("counts", "does_not_count", "unfinished", "replaced")
_ASKED: Final = tuple(
    dict.fromkeys(
        (
            *(name for name, _ in _ORDER),
            *(one for said, told in _STATES.items() for one in (said, *told)),
            *_REASONS,
        )
    )
)
"""Columns without which the copies of a run cannot be made into one row."""
_LOTS_FILE: Final = re.compile(rf"{LOTS}/[^/]+\.parquet")
_LOOKS: Final = 5  # our rule: an export replaces a pack in some milliseconds
Key = tuple[str, str]
"""Part and lot."""


def runs_once(address: str | Path | Folder, columns: Sequence[str]) -> Any:
    """Return the runs of a dataset, each once, as a table of those columns and `part`.

    Raises DataError when the folder is no dataset, BenchlogError where pyarrow is
    missing.
    """
    pa, folder = arrow(), folder_at(address)
    wanted = [*dict.fromkeys((*columns, *_ASKED))]
    tables = _patiently(folder, wanted)
    if not tables:
        raise _no_dataset(folder)
    return _one_row_each(pa.concat_tables(tables)).select([*columns, "part"])


def _patiently(folder: Folder, columns: list[str]) -> list[Any]:
    """Read again where an export replaces a pack between looking and reading."""
    for _ in range(_LOOKS - 1):
        with suppress(FileNotFoundError):
            return list(_tables(folder, columns))
    return list(_tables(folder, columns))


def _tables(folder: Folder, columns: list[str]) -> Iterator[Any]:
    together = MemoryAllowance()
    found = [
        (pack.place[0], read_runs_of(folder, pack, columns, together))
        for pack in packs_of(folder)
    ]
    for file in old_files(folder):
        part, table = old_runs(folder, file, together)
        found.append((part, table.select(columns)))
    pa = arrow()
    for part, table in found:
        told = pa.repeat(pa.scalar(part), table.num_rows)
        yield table.append_column("part", told)


# --- of several copies one row


def _one_row_each(table: Any) -> Any:
    """Return a table of runs, each once, of one that has every copy and `_ASKED`."""
    table = _with_times_of_verdicts(table)
    rows = _first(table, _ORDER)
    if rows.num_rows == table.num_rows:
        return rows
    compute = arrow("pyarrow.compute")
    counted = table.group_by("run_uid").aggregate([([], "count_all")])
    several = counted.filter(compute.field("count_all") > 1).column("run_uid")

    def has_several(runs: Any) -> Any:
        return compute.is_in(runs.column("run_uid"), value_set=several)

    copies = _told_by_copies(table.filter(has_several(table)))
    alone = rows.filter(compute.invert(has_several(rows)))
    return arrow().concat_tables([alone, copies])


def _told_by_copies(table: Any) -> Any:
    """Return a table of runs, each once, of one of runs that have several copies."""
    compute, rows, dated = (
        arrow("pyarrow.compute"),
        _first(table, _ORDER),
        _dated(table),
    )
    for said, told in _STATES.items():
        order = (*_ORDER[:2], (said, "descending"), *_ORDER[2:])
        newest = _first(dated, order)  # of the same runs, in the same order
        for name in told:
            at = rows.schema.get_field_index(name)
            rows = rows.set_column(at, name, newest.column(name))
    why = _why_not_counted(rows)
    is_told = compute.is_valid(rows.column("unfinished"))
    counts = compute.if_else(is_told, compute.is_null(why), _of_before(rows))
    for name, column in (("does_not_count", why), ("counts", counts)):
        rows = rows.set_column(rows.schema.get_field_index(name), name, column)
    return rows


def _first(table: Any, order: tuple[tuple[str, str], ...]) -> Any:
    """Return the first row of each run in an order, the runs by their UUIDs."""
    ordered = table.sort_by(list(order))
    uids = ordered.column("run_uid").to_numpy()
    first = np.ones(len(uids), dtype=bool)
    first[1:] = uids[1:] != uids[:-1]
    return ordered.filter(arrow().array(first))


def _with_times_of_verdicts(table: Any) -> Any:
    """Return a table in which each run was judged at a time.

    A file of before tells none: the run was judged by when its row was of.
    """
    name, compute = "judged_utc_ns", arrow("pyarrow.compute")
    judged = compute.coalesce(table.column(name), table.column("as_of_utc_ns"))
    return table.set_column(table.schema.get_field_index(name), name, judged)


def _dated(table: Any) -> Any:
    """Return a table in which each state that is there has a time.

    A file of before has none: the state was said by when its row was of.
    """
    compute = arrow("pyarrow.compute")
    is_there = {
        "void_utc_ns": compute.is_valid(table.column("void")),
        "aside_utc_ns": table.column("set_aside"),
        "damaged_utc_ns": table.column("damaged"),
        "device_utc_ns": compute.is_valid(table.column("device_typed")),
    }
    for name, there in is_there.items():
        at, said = table.schema.get_field_index(name), table.column(name)
        latest = compute.if_else(there, table.column("as_of_utc_ns"), None)
        table = table.set_column(at, name, compute.coalesce(said, latest))
    return table


def _void_text(rows: Any) -> Any:
    """Return why a void run does not count; null of the others."""
    compute, void = arrow("pyarrow.compute"), rows.column("void")
    told = compute.binary_join_element_wise("void (", void, ")", "")
    return compute.if_else(compute.equal(void, ""), "void", told)


def _why_not_counted(rows: Any) -> Any:
    """Return why each run does not count, as `model.counting` orders the reasons."""
    compute = arrow("pyarrow.compute")
    void, before = _void_text(rows), rows.column("does_not_count")

    def said(name: str) -> Any:
        text = rows.column(name)
        return compute.if_else(compute.equal(text, ""), None, text)

    damaged = compute.fill_null(rows.column("damaged"), False)
    unfinished = compute.if_else(damaged, None, said("unfinished"))
    own = compute.coalesce(void, said("aside"), unfinished, said("replaced"))
    is_told = compute.is_valid(rows.column("unfinished"))
    return compute.if_else(is_told, own, compute.coalesce(void, before))


def _of_before(rows: Any) -> Any:
    """Return whether runs count whose file tells no reasons: none that is void does."""
    compute = arrow("pyarrow.compute")
    is_void = compute.is_valid(rows.column("void"))
    return compute.if_else(is_void, False, rows.column("counts"))


# --- lots, and what is wrong with rows


def lots_once(address: str | Path | Folder) -> dict[Key, dict[str, Any]]:
    """Return the lots of a dataset, each with the plan it was opened with first.

    That is the rule of the view `lots` in `queries.sql`: whichever copies a dataset
    has, a lot has one plan. Raises as `runs_once` does.
    """
    folder = folder_at(address)
    files = [name for name in folder.names(LOTS) if _LOTS_FILE.fullmatch(name)]
    if not files:
        raise _no_dataset(folder)
    found: dict[Key, dict[str, Any]] = {}
    together = MemoryAllowance()
    for name in files:
        for row in _lot_rows(folder, name, together):
            known = found.get((row["part"], row["lot"]))
            if known is None or _opening(row) < _opening(known):
                found[row["part"], row["lot"]] = row
    return found


def _opening(row: dict[str, Any]) -> tuple[bool, float, str]:
    """Return what orders the rows of a lot; of those alike the first source counts."""
    opened = row["opened_utc_ns"]
    return row["plan"] is None, inf if opened is None else opened, row["source"] or ""


def _lot_rows(
    folder: Folder, name: str, allowance: MemoryAllowance
) -> list[dict[str, Any]]:
    """Return rows of lots; one that is opened at no time, or has no names, is none."""
    names = lots_schema().names
    with small_file(folder, name, allowance) as file:
        told = file.read(names).to_pylist()
        found = [{n: row.get(n) for n in names} for row in told]
        for row in found:
            check_columns(row, _LOT_KINDS)
            if row["part"] is None or row["lot"] is None:
                raise ValueError("a lot without a name")
    return found


_LOT_KINDS: Final = columns_of(
    text="source lot part supplier plan decision part_body",
    whole="size opened_utc_ns",
)
_NEVER_NULL: Final = ("run", "device", "position", "bench", "purpose")
_KINDS: Final = columns_of(
    text="""run_uid source part lot device device_typed position ended_how verdict
    timebase timebase_doubt bench void purpose held operator does_not_count
    measured_part""",
    whole="run started_utc_ns readings",
    number="""nominal_hz offset_ppm u_ppm limit_ppm ambient_c timebase_u_ppm
    tolerance_ppm""",
)

_WORDS: Final[Mapping[str, Iterable[str]]] = {
    "purpose": Purpose,
    "verdict": Decision,
    "kind": Kind,
    "timebase": ("checked", "stated", "assumed"),
}
"""Columns that hold one of few words."""


def check_run(row: Mapping[str, Any]) -> None:
    """Raise ValueError naming the first column of a run's row that cannot be right.

    Of the columns that every list needs; a row may have fewer of the others.
    """
    check_columns(row, {name: kind for name, kind in _KINDS.items() if name in row})
    missing = [name for name in _NEVER_NULL if row[name] is None]
    if missing:
        raise ValueError(f"a run without {missing[0]}")
    for name, words in _WORDS.items():
        check_word(name, row.get(name), words)


def sound_rows(
    rows: Iterable[dict[str, Any]], left_out: dict[str, str]
) -> Iterator[dict[str, Any]]:
    """Yield rows of runs; those that cannot be read are noted in `left_out`, and why.

    They have the columns of `_NEVER_NULL` and `source`.
    """
    for row in rows:
        try:
            check_run(row)
        except UNREADABLE as error:
            name = f"run {row['run']} of {row['source']}"
            left_out[printable(name)] = printable(why_unreadable(error))
        else:
            yield row


def _no_dataset(folder: Folder) -> DataError:
    return DataError(
        f"{folder.shown} holds no dataset; `benchlog export --dataset {folder.shown}` "
        "makes one"
    )
