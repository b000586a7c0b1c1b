"""Devices that were measured at the same moments: each one's own stability."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.pairing import Together, together
from benchlog.analysis.series import Series
from benchlog.analysis.settling import without_settling
from benchlog.analysis.stability.cornered_hat import (
    FEWEST_DEVICES,
    CorneredHat,
    cornered_hat,
)
from benchlog.analysis.stability.estimation import (
    DeviationRequest,
    Stability,
    stability,
)
from benchlog.errors import DataError, UsageError
from benchlog.evaluation.comparison import RunSide, sides_of
from benchlog.model import Run
from benchlog.store.reader import Reader
from benchlog.units import (
    as_stated,
    three_digits,
)

Array = NDArray[np.float64]

HAT_KINDS: Final = ("adev", "mdev", "tdev", "hdev")
"""Deviations whose squares of independent devices add up, and which have intervals."""
MOST_DEVICES: Final = 32  # our rule: the pairs grow with the square; bounds the work
_SKEWED: Final = 0.1  # our rule: beyond a tenth of the spacing it is told
_FULL_SHARE: Final = 0.98  # our rule: below it what is left out is told


@dataclass(frozen=True, slots=True, kw_only=True)
class HatStudy:
    """Own deviations of the runs' devices, in the order of the runs.

    `as_read` are the deviations of what each run read, with all that the runs share;
    None where one cannot tell. `moments` is how many readings all runs have in common.
    """

    runs: tuple[Run, ...]
    hat: CorneredHat
    as_read: tuple[Stability | None, ...]
    moments: int
    share: float
    skew_s: float
    notes: tuple[str, ...]

    @property
    def simulated(self) -> bool:
        """Whether any of the runs is simulated."""
        return any(run.simulated for run in self.runs)


def hat_study(
    reader: Reader,
    runs: Sequence[Run],
    kind: str = "adev",
    request: DeviationRequest | None = None,
) -> HatStudy:
    """Tell the own stability of devices that were measured at the same moments.

    Raises UsageError for fewer than three different runs or too many, DataError when
    their readings were not made at the same moments or are too few.
    """
    if len({run.id for run in runs}) < max(FEWEST_DEVICES, len(runs)):
        raise UsageError(
            "three different runs at least, measured at the same moments, are needed"
        )
    if len(runs) > MOST_DEVICES:
        raise UsageError(f"{len(runs)} runs: at most {MOST_DEVICES} are told apart")
    sides = sides_of(reader, runs)
    found = _together(sides)
    tau0_s, columns = found.tau0_s, found.values.T
    asked = _Asked(tau0_s, _gate_s(sides, tau0_s), kind, request)
    hat = cornered_hat(
        {
            (i, j): asked.of(columns[i] - columns[j])
            for i, j in combinations(range(len(runs)), 2)
        }
    )
    return HatStudy(
        runs=tuple(side.run for side in sides),
        hat=hat,
        as_read=tuple(asked.if_any(one) for one in columns),
        moments=found.moments,
        share=found.share,
        skew_s=found.skew_s,
        notes=(*_notes(sides, found), *hat.notes),
    )


def _together(sides: Sequence[RunSide]) -> Together:
    spacings = [side.evaluation.assessment.stats.tau0_s for side in sides]
    known = [spacing for spacing in spacings if spacing]
    if len(known) < len(sides) or max(known) > 2.0 * min(known):
        raise DataError(
            "the runs have no common pace: measure all devices with one gate at once"
        )
    stamped = []
    for side in sides:
        columns, _ = without_settling(side.columns)
        ppm = side.as_read.ppm[(np.isin(side.columns.id, columns.id))]
        if not len(columns) or np.any(columns.utc_ns < 0):
            raise DataError(
                f"run {side.run.id} has no time stamps: nobody knows which readings "
                "were made together"
            )
        if np.any(np.diff(columns.utc_ns) <= 0):
            raise DataError(
                f"the host's clock went back during run {side.run.id}: nobody knows "
                "which readings were made together"
            )
        stamped.append((columns.utc_ns, ppm))
    found = together(stamped, 0.5 * min(known))
    if found is None:
        raise DataError(
            "less than half of the readings were made at the same moments; measure the "
            "devices at several positions of one bench at once"
        )
    return found


def _gate_s(sides: Sequence[RunSide], tau0_s: float) -> float | None:
    """Return the gate where there is dead time, as `Series` takes it."""
    gate_s = min(float(side.columns.gate_s[-1]) for side in sides)
    return gate_s if 0 < gate_s < 0.999 * tau0_s else None


@dataclass(frozen=True, slots=True)
class _Asked:
    """Which deviation is wanted, and of what grid."""

    tau0_s: float
    gate_s: float | None
    kind: str
    request: DeviationRequest | None

    def of(self, values: Array) -> Stability:
        series = Series(
            np.ascontiguousarray(values), self.tau0_s, "frequency", self.gate_s
        )
        return stability(series, self.kind, self.request)

    def if_any(self, values: Array) -> Stability | None:
        try:
            return self.of(values)
        except DataError:
            return None


def _notes(sides: Sequence[RunSide], found: Together) -> Iterator[str]:
    counters = {side.side.counter for side in sides}
    if len(counters) > 1 or "" in counters:
        yield (
            "not all runs are known to be of one counter: what a counter and its own "
            "time base add is in the figure of its device"
        )
    if len({side.run.bench for side in sides}) > 1:
        yield "the runs are of different benches: less falls out of their differences"
    if found.skew_s > _SKEWED * found.tau0_s:
        yield (
            f"the gates of one moment end {three_digits(found.skew_s)} s apart, of "
            f"{as_stated(found.tau0_s, 4)} s: at averaging times as short as that, "
            "part of what "
            "the devices share stays in their figures"
        )
    if found.share < _FULL_SHARE:
        yield (
            f"{found.moments:,} readings have partners in all runs, {found.share:.0%} "
            "of the shortest; the others are not counted"
        ).replace("%", " %")
    for side in sides:
        if said := side.evaluation.not_counted_text:
            yield f"run {side.run.id} {said}"
