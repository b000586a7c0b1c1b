"""Runs read from the store, side by side."""

from collections.abc import Sequence
from dataclasses import dataclass

from benchlog.analysis.series import series_from_columns
from benchlog.analysis.stability.estimation import Stability, stability
from benchlog.analysis.thinning import ThinnedRun, trace_of
from benchlog.errors import DataError, UsageError
from benchlog.model import Run
from benchlog.store.reader import Reader
from benchlog.verdict.run.comparison import Difference, Side
from benchlog.verdict.run.run_side import RunSide, differences, run_side
from benchlog.verdict.timebase.check_validity import all_as_known


@dataclass(frozen=True, slots=True)
class ComparedRun:
    """One run of a comparison, with what is drawn of it."""

    run: Run
    side: Side
    trace: ThinnedRun | None
    stability: Stability | None


@dataclass(frozen=True, slots=True)
class RunComparison:
    """Runs in the order they were named; each but the first against the first."""

    runs: tuple[ComparedRun, ...]
    differences: tuple[Difference, ...]


def comparison(reader: Reader, runs: Sequence[Run]) -> RunComparison:
    """Compare runs with the first of them. Raises UsageError, DataError."""
    if len({run.id for run in runs}) < 2:
        raise UsageError("two different runs at least are needed to compare")
    checks = [check for _, check in reader.reference_checks()]
    sides = [_taken(reader, run) for run in all_as_known(runs, checks)]
    return RunComparison(tuple(map(_drawn, sides)), differences(sides))


def _taken(reader: Reader, run: Run) -> RunSide:
    columns = reader.columns_after(run.id)
    return run_side(run, columns, lambda: reader.pulses_after(run.id))


def _drawn(one: RunSide) -> ComparedRun:
    trace = trace_of(one.corrected) if len(one.columns) else None
    return ComparedRun(one.run, one.side, trace, _stability(one))


def _stability(one: RunSide) -> Stability | None:
    run = one.run
    try:
        return stability(series_from_columns(one.columns, run.nominal_hz, run.divider))
    except DataError:
        return None
