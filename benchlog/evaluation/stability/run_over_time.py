"""Stability over the time of one run in the database."""

from dataclasses import dataclass

from benchlog.analysis.series import Series
from benchlog.analysis.stability.over_time import (
    StabilityOverTime,
    stability_over_time,
)
from benchlog.model import Run
from benchlog.store.reader import Reader


@dataclass(frozen=True, slots=True)
class RunOverTime:
    """A deviation along a run; `begun_utc_ns` is its first reading, None if unknown."""

    found: StabilityOverTime
    begun_utc_ns: int | None


def run_over_time(
    reader: Reader,
    run: Run,
    series: Series,
    kind: str = "adev",
    window_s: float | None = None,
) -> RunOverTime:
    """Return a deviation along a run's series. Raises DataError, see there."""
    found = stability_over_time(series, kind, window_s)
    first = reader.columns_after(run.id, limit=1)
    if len(first):
        stamp = int(first.utc_ns[0])
        return RunOverTime(found, stamp if stamp >= 0 else None)
    return RunOverTime(found, run.made_utc_ns[0])  # of pulses
