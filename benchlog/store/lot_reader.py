"""Lots and their runs out of the database; what cannot be read is named, not raised."""

import json
from collections.abc import Iterable, Mapping
from typing import Any

from benchlog.model import Lot, LotRun, Purpose
from benchlog.store import lots
from benchlog.store.lots import RunOfLot
from benchlog.store.run_reader import RunReader
from benchlog.store.snapshot import UNREADABLE, why_unreadable


class LotReader(RunReader):
    """What one database holds of lots."""

    def lots(self, lot: str | None = None, part: str | None = None) -> list[Lot]:
        """Return lots in the order in which they were opened."""
        rows = self._named(lots.LOTS, {"lot": lot, "part": part})
        return [one for row in rows if (one := self._lot(row)) is not None]

    def _lot(self, row: Mapping[str, Any]) -> Lot | None:
        try:
            return lots.lot_from(row)
        except ValueError as error:
            self.left_out[f"lot {row['lot']}"] = str(error)
        return None

    def lot_runs(self, lot: Lot, purpose: Purpose = Purpose.INSPECT) -> list[LotRun]:
        """Return the runs of a lot in their order, also those that do not count.

        Of a lot without a plan the runs that measured its devices. `purpose` TRIM asks
        for the runs that trimmed them instead.
        """
        kinds = [purpose.value]
        if purpose is Purpose.INSPECT and lot.plan is None:
            kinds.append(Purpose.MEASURE.value)
        wanted = {"lot": lot.lot, "part": lot.part_id, "kinds": f" {' '.join(kinds)} "}
        found = []
        for row in self._named(lots.LOT_RUNS, wanted):
            try:
                found.append(lots.lot_run_from(row))
            except UNREADABLE as error:
                self.left_out[f"run {row['run']}"] = why_unreadable(error)
        return found

    def came_by_merge(self, runs: Iterable[LotRun]) -> frozenset[int]:
        """Return the ids of those runs that were brought in from another database."""
        wanted = {"runs": json.dumps([run.run for run in runs])}
        return frozenset(
            row["run_id"] for row in self._named(lots.CAME_BY_MERGE, wanted)
        )

    def device_runs(self, lot: Lot, device: str, purpose: Purpose) -> list[int]:
        """Return the ids of a device's runs in a lot, for a purpose.

        Also of those that cannot be read, or are in quarantine.
        """
        wanted = {"lot": lot.lot, "part": lot.part_id, "purpose": purpose.value}
        rows = self._named(lots.DEVICE_RUNS, {**wanted, "device": device})
        return [row["run"] for row in rows]

    def runs_by_lot(
        self, part: str | None = None, supplier: str | None = None
    ) -> dict[tuple[str, str], list[RunOfLot]]:
        """Return the runs of all lots by part and lot, as `lot_runs` has them.

        With a part or a supplier those of its lots are there, and some of others.

        They are asked for together; those that only measured a device, too, which
        decide no lot that has a plan.
        """
        rows = self._named(
            lots.all_lot_runs(part, supplier), {"part": part, "supplier": supplier}
        )
        return lots.runs_by_lot(rows, self.left_out)

    def lot_ids(self) -> list[int]:
        """Return the numbers of the lots whose plan can be read."""
        rows = self._named(lots.LOTS, {"lot": None, "part": None})
        return [row["id"] for row in rows if self._lot(row) is not None]
