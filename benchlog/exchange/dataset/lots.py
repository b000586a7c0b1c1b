"""The lots of a dataset, decided and figured as those of a single database are."""

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any, Final

from benchlog.errors import DataError
from benchlog.evaluation.lots import lot_report
from benchlog.exchange.arrow import arrow
from benchlog.exchange.dataset.addresses import folder_at
from benchlog.exchange.dataset.folders import Folder
from benchlog.exchange.dataset.read import (
    Key,
    check_run,
    lots_once,
    runs_once,
    sound_rows,
)
from benchlog.model import Lot, LotRun, Part, Purpose
from benchlog.model.counting import MEASURED_AGAIN
from benchlog.store.snapshot import UNREADABLE, part_from, why_unreadable
from benchlog.store.snapshot_types import check_word, parsed, table
from benchlog.units import printable
from benchlog.verdict.lot.chips import Chip, unknown_lot
from benchlog.verdict.lot.lot_decision import LotResult
from benchlog.verdict.lot.lot_report import LotReport
from benchlog.verdict.lot.lot_runs import shared_u_ppm, tightest_ppm, word_of

_COLUMNS: Final = (
    "source", "run", "device", "position", "started_utc_ns", "ended_how", "verdict",
    "offset_ppm", "u_ppm", "limit_ppm", "ambient_c", "readings", "set_aside", "damaged",
    "timebase", "timebase_u_ppm", "bench", "void", "simulated", "purpose", "inspected",
    "tolerance_ppm", "over_temperature", "held", "marked", "planned", "lot",
    "imported", "counts", "does_not_count", "run_uid", "measured_part",
)  # fmt: skip
_OF_LOTS: Final = (Purpose.INSPECT.value, Purpose.MEASURE.value)


def lots_of_dataset(
    address: str | Path | Folder,
    part: str | None = None,
    supplier: str | None = None,
    left_out: dict[str, str] | None = None,
) -> Iterator[tuple[LotReport, tuple[str, ...]]]:
    """Yield the lots of a dataset that have runs or a plan, each with its benches.

    A lot that several benches have measured is one lot. One that cannot be read is
    noted in `left_out`, and why. Raises DataError when the folder is no dataset, or a
    file of it is damaged, BenchlogError where pyarrow is missing.
    """
    folder = folder_at(address)
    lots = lots_once(folder)
    rows = _rows(folder)
    part_of = cache(_part)
    # by their names where they were opened at once: databases have no order
    opened = sorted(
        lots.items(), key=lambda one: (one[1]["opened_utc_ns"] or 0, one[0])
    )
    for key, lot in opened:
        if part not in (None, key[0]) or supplier not in (None, lot["supplier"]):
            continue
        found = [row for row in rows.get(key, ()) if _is_of(row, lot)]
        if not found and lot["plan"] is None:
            continue
        try:
            yield _report(lot, found, part_of)
        except (*UNREADABLE, DataError, ArithmeticError) as error:
            if left_out is None:
                raise
            left_out[f"lot {key[1]}"] = printable(why_unreadable(error))


def _report(
    lot: dict[str, Any], found: list[dict[str, Any]], part_of: Callable[[str], Part]
) -> tuple[LotReport, tuple[str, ...]]:
    """Return the report of a lot and its benches. Raises what is wrong with its row."""
    for row in found:
        check_run(row)
    own = sorted(found, key=lambda row: row["started_utc_ns"] or 0)
    runs = [_lot_run(row) for row in own]
    counted = zip(own, runs, strict=True)
    shared = shared_u_ppm(
        (row["timebase"], row["timebase_u_ppm"]) for row, run in counted if run.counts
    )
    benches = tuple(dict.fromkeys(row["bench"] for row in own))
    kept = part_of(lot["part_body"] or "")
    return lot_report(_lot(lot), kept, runs, shared), benches


def _part(body: str) -> Part:
    return part_from(parsed(body))


def _rows(folder: Folder) -> dict[Key, list[dict[str, Any]]]:
    """Return the runs that were made for lots, by part and lot."""
    found: defaultdict[Key, list[dict[str, Any]]] = defaultdict(list)
    compute = arrow("pyarrow.compute")
    of_lots = (
        compute.field("purpose").isin(_OF_LOTS)
        & ~compute.field("imported")
        & compute.field("lot").is_valid()
    )
    for row in runs_once(folder, _COLUMNS).filter(of_lots).to_pylist():
        found[_part_of(row), row["lot"]].append(row)
    return dict(found)


def chips_of_dataset(
    address: str | Path | Folder, lot: str, left_out: dict[str, str]
) -> tuple[list[Chip], float]:
    """Return the newest figures of every device of a lot, and what U they share.

    Runs that do not count are left out, and those with marks, as from a database; those
    that cannot be read are noted in `left_out`. Raises DataError when the folder is no
    dataset, NotFoundError when nothing in it is of this lot.
    """
    newest: dict[str, dict[str, Any]] = {}
    named = arrow("pyarrow.compute").field("lot") == lot
    runs = runs_once(address, _COLUMNS)
    table_of_lot = runs.filter(named)
    if not table_of_lot.num_rows:
        names = runs.column("lot").to_pylist()
        raise unknown_lot(lot, {one for one in names if one is not None})
    of_lot = list(sound_rows(table_of_lot.to_pylist(), left_out))
    tightest = _tightest_by_part(of_lot)
    for row in sorted(of_lot, key=lambda one: -(one["started_utc_ns"] or 0)):
        known = row["offset_ppm"] is not None and row["u_ppm"] is not None
        if known and _may_count(row) and not row["marked"]:
            newest.setdefault(row["device"], row)
    chips = [
        Chip(
            device=row["device"],
            run=row["run"],
            offset_ppm=row["offset_ppm"],
            u_ppm=row["u_ppm"],
            word=_word(row, tightest),
        )
        for row in newest.values()
    ]
    bases = ((row["timebase"], row["timebase_u_ppm"]) for row in newest.values())
    return chips, shared_u_ppm(bases)


def _may_count(row: dict[str, Any]) -> bool:
    """Whether a run counts where no newer one of its device does.

    The newer one that it gave way to may be void by what another copy says.
    """
    again = (row["does_not_count"] or "").startswith(f"{MEASURED_AGAIN} in ")
    return bool(row["counts"]) or again


def _tightest_by_part(rows: list[dict[str, Any]]) -> dict[str, float]:
    """Return what holds for each part whose lot has this name."""
    by_part: defaultdict[str, list[LotRun]] = defaultdict(list)
    for row in sorted(rows, key=lambda one: one["started_utc_ns"] or 0):
        if _was_for_lot(row):
            by_part[_part_of(row)].append(_lot_run(row))
    return {part: tightest_ppm(runs) for part, runs in by_part.items()}


def _word(row: dict[str, Any], tightest: Mapping[str, float]) -> str:
    if _was_for_lot(row):
        return str(word_of(_lot_run(row), tightest[_part_of(row)]))
    return row["verdict"] or "undecided"


def _was_for_lot(row: dict[str, Any]) -> bool:
    return row["purpose"] in _OF_LOTS and not row["imported"]


def _part_of(row: dict[str, Any]) -> str:
    return str(row["measured_part"] or row["part"])


def _is_of(row: dict[str, Any], lot: dict[str, Any]) -> bool:
    """Whether a run decides a lot; one without a plan has what measured its devices."""
    return lot["plan"] is None or bool(row["inspected"])


def _lot(row: dict[str, Any]) -> Lot:
    check_word("decision", row["decision"], LotResult)
    return Lot(
        lot=row["lot"],
        part_id=row["part"],
        supplier=row["supplier"] or "",
        size=row["size"],
        plan=None if row["plan"] is None else dict(table(parsed(row["plan"]), "plan")),
        decision=row["decision"],
        opened_utc_ns=row["opened_utc_ns"] or 0,
    )


def _lot_run(row: dict[str, Any]) -> LotRun:
    return LotRun(
        run=row["run"],
        uid=row["run_uid"],
        bench=row["bench"],
        device=row["device"],
        position=row["position"],
        started_utc_ns=row["started_utc_ns"] or 0,
        ended_how=row["ended_how"],
        word=row["verdict"],
        offset_ppm=row["offset_ppm"],
        u_ppm=row["u_ppm"],
        limit_ppm=row["limit_ppm"],
        ambient_c=row["ambient_c"],
        readings=row["readings"],
        set_aside=row["set_aside"],
        damaged=row["damaged"],
        held=row["held"] or "",
        marked=bool(row["marked"]),
        planned=row["planned"] is not False,  # unknown of older files
        void=row["void"],
        purpose=Purpose(row["purpose"]),
        simulated=bool(row["simulated"]),
        tolerance_ppm=row["tolerance_ppm"],
        over_temperature=bool(row["over_temperature"]),
        judged_as=row["part"] if row["measured_part"] else "",
    )
