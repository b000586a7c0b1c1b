"""A lot read from a database: by its name, and with what its runs have in common."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import cache
from itertools import chain
from typing import Final

from benchlog.errors import BenchlogError, DataError, NotFoundError, UsageError
from benchlog.evaluation.lot_plan import plan_from, undecided_rule
from benchlog.model import Lot, LotRun, Part, Purpose, Run
from benchlog.store.reader import Reader
from benchlog.verdict.lot.lot_report import LotReport, judged_lot
from benchlog.verdict.lot.lot_runs import shared_u_ppm
from benchlog.verdict.timebase.check_validity import KnownChecks

_ALL: Final = 1_000_000  # our rule: more than any lot has


def named_lot(reader: Reader, name: str, part_id: str | None) -> Lot | None:
    """Return the lot of this name, None when there is none; one with a plan first.

    Raises UsageError when several parts have a lot of this name and none was given.
    """
    lots = reader.lots(name, part_id)
    planned = [lot for lot in lots if lot.plan is not None]
    found = planned if len(planned) == 1 else lots
    if len(found) > 1:
        parts = ", ".join(lot.part_id for lot in found)
        raise UsageError(f"lots of {parts} are called {name!r}; say which with --part")
    return found[0] if found else None


def existing_lot(reader: Reader, name: str, part_id: str | None) -> Lot:
    """Return a lot by its name, with a plan or without.

    Raises NotFoundError with near matches, UsageError as `named_lot`.
    """
    found = named_lot(reader, name, part_id)
    if found is None:
        raise no_such_lot(reader.lots(), name, "(`benchlog lots` lists them)")
    return found


def no_such_lot(lots: Iterable[Lot], name: str, hint: str) -> BenchlogError:
    """Return the error for a lot that is not among these, or is of another part."""
    known = list(lots)
    parts = ", ".join(lot.part_id for lot in known if lot.lot == name)
    if parts:
        return UsageError(f"lot {name!r} is of {parts}: name that part, or none")
    return NotFoundError("lot", name, [lot.lot for lot in known], hint)


def lot_with_runs(
    reader: Reader, lot: Lot, purpose: Purpose = Purpose.INSPECT
) -> tuple[LotReport, tuple[Run, ...]]:
    """Return the report of a lot and its runs as they were begun, in their order.

    `purpose` TRIM is for those that trimmed its devices.
    Raises DataError when the plan cannot be read.
    """
    known = {run.id: run for run in reader.runs(lot=lot.lot, limit=_ALL)}
    rows = [row for row in reader.lot_runs(lot, purpose) if row.run in known]
    runs = tuple(known[row.run] for row in rows)
    bases = (run.timebase for row, run in zip(rows, runs, strict=True) if row.counts)
    shared = shared_u_ppm((b.status, b.u_ppm) for b in bases if b is not None)
    report = lot_report(lot, reader.part(lot.part_id), rows, shared)
    return replace(report, base_doubts=_base_doubts(reader, runs)), runs


def lots_with_benches(
    reader: Reader, part: str | None = None, supplier: str | None = None
) -> Iterator[tuple[LotReport, tuple[str, ...]]]:
    """Yield the report and the benches of each lot that has runs or a plan.

    Each report is that of `lot_with_runs`; what they need is asked for all together. A
    lot whose plan or part cannot be read is left out, and noted in `reader.left_out`.
    """
    lots = [lot for lot in reader.lots(part=part) if supplier in (None, lot.supplier)]
    runs, part_of = reader.runs_by_lot(part, supplier), cache(reader.part)
    is_all = part is None and supplier is None
    doubts = _doubts_in(reader, None if is_all else lots)
    for lot in lots:
        own = [
            one
            for one in runs.get((lot.part_id, lot.lot), ())
            if lot.plan is None or one.run.purpose is Purpose.INSPECT
        ]
        if lot.plan is None and not own:
            continue  # its runs were moved elsewhere, or are no measurements
        shared = shared_u_ppm(
            (one.base_status, one.base_u_ppm)
            for one in own
            if one.run.counts and one.base_status is not None
        )
        rows = [one.run for one in own]
        try:
            report = lot_report(lot, part_of(lot.part_id), rows, shared)
        except DataError as error:
            reader.left_out[f"lot {lot.lot}"] = str(error)
            continue
        found = {row.run: doubts[row.run] for row in rows if row.run in doubts}
        benches = tuple(dict.fromkeys(row.bench for row in rows))
        yield replace(report, base_doubts=found), benches


def _doubts_in(reader: Reader, lots: list[Lot] | None) -> dict[int, str]:
    """Return what speaks against the checks behind runs of lots, or behind all runs.

    Where there are no checks no run is read.
    """
    if not reader.reference_checks():
        return {}
    if lots is None:
        return _base_doubts(reader, reader.all_runs())
    of_lots = (reader.found_runs(part=lot.part_id, lot=lot.lot) for lot in lots)
    return _base_doubts(reader, chain.from_iterable(of_lots))


def _base_doubts(reader: Reader, runs: Iterable[Run]) -> dict[int, str]:
    """Return what speaks by now against the check behind each run, where it does."""
    known = KnownChecks(check for _, check in reader.reference_checks())
    bases = ((run.id, known.of(run).timebase) for run in runs)
    return {run: base.doubt for run, base in bases if base is not None and base.doubt}


def lot_report(
    lot: Lot, part: Part, runs: Sequence[LotRun], u_common_ppm: float = 0.0
) -> LotReport:
    """Return the report of a lot by the plan that was kept with it, if one was.

    `u_common_ppm` is the expanded uncertainty of the time base, which all share. Raises
    DataError when the plan cannot be read.
    """
    kept = lot.plan or {}
    return judged_lot(
        lot,
        part,
        runs,
        plan=None if lot.plan is None else plan_from(kept),
        rule=undecided_rule(kept),
        u_common_ppm=u_common_ppm,
    )
