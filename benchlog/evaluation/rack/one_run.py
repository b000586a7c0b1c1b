"""One run of a rack: its device as the sequence found it, beside the others."""

from dataclasses import replace
from typing import TYPE_CHECKING

from benchlog.errors import DataError
from benchlog.model import Purpose, Run
from benchlog.store.reader import Reader

if TYPE_CHECKING:
    from benchlog.evaluation.rack_study import QualifiedDevice


class Racks:
    """Devices of the racks of one database, each rack worked out once.

    How restless a device is, is told by its whole rack: a list of its runs would work
    the rack out for each of them.
    """

    def __init__(self, reader: Reader) -> None:
        self.reader = reader
        self._known: dict[str, dict[int, QualifiedDevice]] = {}

    def device_of(self, run: Run) -> "QualifiedDevice | None":
        """Return the device of a run of a rack; None for other runs.

        A plan that cannot be read makes the run one like others: its readings are
        shown.
        """
        if run.made_for is not Purpose.QUALIFY:
            return None
        from benchlog.evaluation.rack_study import (  # noqa: PLC0415 - SciPy for racks
            plan_of,
            rack_of,
        )

        try:
            plan = plan_of(run)
        except DataError:
            return None
        if plan is None:
            return None
        if run.id not in self._known.get(plan.uid, {}):
            rack = rack_of(self.reader, plan)
            self._known[plan.uid] = {one.run.id: one for one in rack.devices}
        return self._known[plan.uid].get(run.id)

    def with_found(self, run: Run) -> Run:
        """Return a run of a rack with offset at reference, its U, verdict and readings.

        The mean of readings at many places is no figure of a device.
        """
        one = self.device_of(run)
        if one is None:
            return run
        offset = next((c for c in one.found if c.name == "offset-at-reference"), None)
        return replace(
            run,
            offset_ppm=None if offset is None else offset.value,
            u_ppm=None if offset is None else offset.u,
            verdict=one.verdict.value,
            judged_readings=sum(point.turn.readings for point in one.points),
        )
