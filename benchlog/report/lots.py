"""A lot read from a database: its report, with what its runs have in common."""

from benchlog.model import Lot, Run
from benchlog.store.reader import Reader
from benchlog.verdict.lotreport import LotReport, lot_report
from benchlog.verdict.lotruns import counts, shared_u_ppm


def lot_with_runs(reader: Reader, lot: Lot) -> tuple[LotReport, tuple[Run, ...]]:
    """Return the report of a lot and its runs as they were begun, in their order.

    Raises DataError when the lot has no plan that can be read.
    """
    rows = reader.lot_runs(lot)
    runs = tuple(reader.run(row.run) for row in rows)
    bases = (run.timebase for row, run in zip(rows, runs, strict=True) if counts(row))
    shared = shared_u_ppm(None if base is None else base.u_ppm for base in bases)
    return lot_report(lot, reader.part(lot.part_id), rows, shared), runs
