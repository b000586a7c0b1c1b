"""One run of a rack: its device as the sequence found it, beside the others."""

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from benchlog.errors import DataError, NoFiguresError
from benchlog.model import Purpose, Run
from benchlog.store.reader import Reader
from benchlog.units import seconds_per_day

if TYPE_CHECKING:
    from benchlog.evaluation.rack_study import QualifiedDevice
    from benchlog.model import QualificationPlan


class Racks:
    """Devices of the racks of one database, each rack worked out once.

    How restless a device is, is told by its whole rack: a list of its runs would work
    the rack out for each of them. `judged` stands for the run of its number, as it is
    to be judged again.
    """

    def __init__(self, reader: Reader, judged: Run | None = None) -> None:
        self.reader, self._judged = reader, judged
        self._known: dict[str, dict[int, QualifiedDevice]] = {}
        self._without_figures: dict[int, NoFiguresError] = {}

    def device_of(self, run: Run) -> "QualifiedDevice | None":
        """Return the device of a run of a rack; None for other runs.

        A plan that cannot be read makes the run one like others: its readings are
        shown. Raises NoFiguresError of a run that has none; the others of its rack do
        without it.
        """
        if run.made_for is not Purpose.QUALIFY:
            return None
        from benchlog.evaluation.rack_study import (  # noqa: PLC0415 - SciPy for racks
            plan_of,
        )

        try:
            plan = plan_of(run)
        except DataError:
            return None
        if plan is None:
            return None
        known = self._known.get(plan.uid, {})
        if run.id not in known and run.id not in self._without_figures:
            known = {one.run.id: one for one in self._devices_of(plan)}
            self._known[plan.uid] = known
        if run.id in self._without_figures:
            raise self._without_figures[run.id]
        return known.get(run.id)

    def _devices_of(self, plan: "QualificationPlan") -> "tuple[QualifiedDevice, ...]":
        from benchlog.evaluation.rack_study import (  # noqa: PLC0415 - SciPy for racks
            rack_of,
        )

        known = self._without_figures
        while True:
            try:
                return rack_of(self.reader, plan, self._judged, known).devices
            except NoFiguresError as error:
                known[error.run_id] = error

    def with_found(self, run: Run) -> Run:
        """Return a run of a rack with offset at reference, its U, verdict and readings.

        The mean of readings at many places is no figure of a device.
        """
        one = self.device_of(run)
        if one is None:
            return run
        told = found_figures(one)
        return replace(
            run,
            **{name: told[name] for name in ("offset_ppm", "u_ppm", "verdict")},
            judged_readings=told["readings"],
        )


def found_figures(one: "QualifiedDevice") -> dict[str, Any]:
    """Return a device's figures, by the names of those that are of all its readings.

    Offset and U are those at reference, None where none was found, in ppm; the verdict
    is that of all that the sequence found. What only a mean of readings at many places
    has is None.
    """
    offset = next((c for c in one.found if c.name == "offset-at-reference"), None)
    value = None if offset is None else _finite(offset.value)
    hz = None if value is None else one.run.nominal_hz * (1 + value * 1e-6)
    return {
        "readings": sum(point.turn.readings for point in one.points),
        "offset_ppm": value,
        "u_ppm": None if offset is None else _finite(offset.u),
        "limit_ppm": None if offset is None else _finite(offset.limit),
        "verdict": one.verdict.value,
        "mean_hz": hz,
        "seconds_per_day": None if value is None else seconds_per_day(value),
        "conformance": None,
        "at_reference": None,
        "budget": None,
        "limit_text": None,
        "reasons": [f"{line.name}: {line.text}" for line in one.found if line.text],
    }


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
