"""The lots of a dataset, decided and figured as those of a single database are."""

from collections import defaultdict
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any, Final

from benchlog.errors import DataError
from benchlog.evaluation.lots import lot_report, lot_with_runs
from benchlog.exchange.arrow import arrow
from benchlog.exchange.dataset.rows import lots_schema, runs_schema
from benchlog.model import Lot, LotRun, Purpose
from benchlog.store.reader import Reader
from benchlog.store.snapshot import UNREADABLE, part_from, why_unreadable
from benchlog.store.snapshot_types import check_columns, columns_of, parsed, table
from benchlog.units import printable
from benchlog.verdict.lot.lot_report import LotReport
from benchlog.verdict.lot.lot_runs import shared_u_ppm

_COLUMNS: Final = (
    "source", "run", "device", "position", "started_utc_ns", "ended_how", "verdict",
    "offset_ppm", "u_ppm", "limit_ppm", "ambient_c", "readings", "set_aside", "damaged",
    "timebase", "timebase_u_ppm", "bench", "void", "simulated", "purpose", "inspected",
    "tolerance_ppm", "over_temperature", "held", "marked", "planned",
)  # fmt: skip
Key = tuple[str, str]
"""Part and lot."""


def lots_of_database(
    reader: Reader, part: str | None = None, supplier: str | None = None
) -> Iterator[tuple[LotReport, tuple[str, ...]]]:
    """Yield the lots of one database that have runs or a plan, with their benches."""
    for lot in reader.lots(part=part):
        if supplier not in (None, lot.supplier):
            continue
        try:
            report, runs = lot_with_runs(reader, lot)
        except DataError as error:  # its plan or its part cannot be read
            reader.left_out[f"lot {lot.lot}"] = str(error)
            continue
        if lot.plan is None and not runs:
            continue  # its runs were moved elsewhere, or are no measurements
        yield report, tuple(dict.fromkeys(run.bench for run in runs))


def lots_of_dataset(
    folder: Path,
    part: str | None = None,
    supplier: str | None = None,
    left_out: dict[str, str] | None = None,
) -> Iterator[tuple[LotReport, tuple[str, ...]]]:
    """Yield the lots of a dataset that have runs or a plan, each with its benches.

    A lot that several benches have measured is one lot. One that cannot be read is
    noted in `left_out`, and why. Raises DataError when the folder is no dataset, or a
    file of it is damaged, BenchlogError where pyarrow is missing.
    """
    lots = _lots(folder)
    rows = _rows(folder)
    opened = sorted(lots.items(), key=lambda one: one[1]["opened_utc_ns"] or 0)
    for key, lot in opened:
        if part not in (None, key[0]) or supplier not in (None, lot["supplier"]):
            continue
        found = [row for row in rows.get(key, ()) if _is_of(row, lot)]
        if not found and lot["plan"] is None:
            continue
        try:
            yield _report(lot, found)
        except (*UNREADABLE, DataError, ArithmeticError) as error:
            if left_out is None:
                raise
            left_out[f"lot {key[1]}"] = printable(why_unreadable(error))


def _report(
    lot: dict[str, Any], found: list[dict[str, Any]]
) -> tuple[LotReport, tuple[str, ...]]:
    """Return the report of a lot and its benches. Raises what is wrong with its row."""
    for row in found:
        check_columns(row, _KINDS)
    own = sorted(found, key=lambda row: row["started_utc_ns"] or 0)
    runs = [_lot_run(row) for row in own]
    counted = zip(own, runs, strict=True)
    shared = shared_u_ppm(
        (row["timebase"], row["timebase_u_ppm"]) for row, run in counted if run.counts
    )
    kept = part_from(parsed(lot["part_body"] or ""))
    benches = tuple(dict.fromkeys(row["bench"] for row in own))
    return lot_report(_lot(lot), kept, runs, shared), benches


def _lots(folder: Path) -> dict[Key, dict[str, Any]]:
    """Return the lots; of several databases the first that has a plan."""
    files = sorted((folder / "lots").glob("*.parquet"))
    if not files:
        raise DataError(
            f"{folder} holds no dataset; `benchlog export --dataset {folder}` makes one"
        )
    found: dict[Key, dict[str, Any]] = {}
    for file in files:
        for row in _read(file, partial(_lot_rows, file)):
            known = found.get((row["part"], row["lot"]))
            if known is None or known["plan"] is None:
                found[row["part"], row["lot"]] = row
    return found


def _lot_rows(file: Path) -> list[dict[str, Any]]:
    """Return rows of lots; one that is opened at no time, or has no names, is none."""
    rows = arrow("pyarrow.parquet").read_table(file).to_pylist()
    found = [{name: row.get(name) for name in lots_schema().names} for row in rows]
    for row in found:
        check_columns(row, _LOT_KINDS)
        if row["part"] is None or row["lot"] is None:
            raise ValueError("a lot without a name")
    return found


def _rows(folder: Path) -> dict[Key, list[dict[str, Any]]]:
    """Return the runs that were made for lots, by part and lot."""
    dataset = arrow("pyarrow.dataset")
    pa = arrow()
    keys = pa.schema(
        [("part", pa.string()), ("lot", pa.string()), ("day", pa.string())]
    )
    layout = dataset.partitioning(keys, flavor="hive")
    of_lots = dataset.field("purpose").isin(["inspect", "measure"])

    def read() -> list[dict[str, Any]]:
        runs = dataset.dataset(
            folder / "runs",
            format="parquet",
            partitioning=layout,
            schema=pa.unify_schemas([runs_schema(), keys]),  # older files have fewer
        )
        wanted = of_lots & ~dataset.field("imported")
        found: list[dict[str, Any]] = runs.to_table(
            columns=[*_COLUMNS, "part", "lot"],
            filter=wanted & dataset.field("lot").is_valid(),
        ).to_pylist()
        return found

    found: defaultdict[Key, list[dict[str, Any]]] = defaultdict(list)
    for row in _read(folder / "runs", read):
        found[row["part"], row["lot"]].append(row)
    return dict(found)


def _read(path: Path, read: Callable[[], list[dict[str, Any]]]) -> list[dict[str, Any]]:
    """Return rows of Parquet. Raises DataError for what is none, or lacks a column."""
    try:
        return read()
    except (arrow().ArrowException, OSError, *UNREADABLE) as error:
        why = printable((str(error).splitlines() or [repr(error)])[0])
        raise DataError(f"{path} cannot be read as Parquet: {why}") from error


_LOT_KINDS: Final = columns_of(
    text="lot part supplier plan decision part_body", whole="size opened_utc_ns"
)
_KINDS: Final = columns_of(
    text="""device position ended_how verdict timebase bench void purpose held""",
    whole="run started_utc_ns readings",
    number="""offset_ppm u_ppm limit_ppm ambient_c timebase_u_ppm tolerance_ppm""",
)


def _is_of(row: dict[str, Any], lot: dict[str, Any]) -> bool:
    """Whether a run decides a lot; one without a plan has what measured its devices."""
    return lot["plan"] is None or bool(row["inspected"])


def _lot(row: dict[str, Any]) -> Lot:
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
    )
