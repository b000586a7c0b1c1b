"""Runs read from the store, side by side."""

from collections.abc import Sequence
from dataclasses import dataclass

from benchlog.analysis.series import series_from_columns
from benchlog.analysis.stability.estimation import Stability, stability
from benchlog.analysis.thinning import Trace, trace_of
from benchlog.errors import DataError, UsageError
from benchlog.evaluation.run_side import Taken, differences, taken
from benchlog.model import Run
from benchlog.store.reader import Reader
from benchlog.verdict.compare import Difference, Side
from benchlog.verdict.standing import all_as_known


@dataclass(frozen=True, slots=True)
class Beside:
    """One run of a comparison, with what is drawn of it."""

    run: Run
    side: Side
    trace: Trace | None
    stability: Stability | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Runs in the order they were named; each but the first against the first."""

    runs: tuple[Beside, ...]
    differences: tuple[Difference, ...]


def comparison(reader: Reader, runs: Sequence[Run]) -> Comparison:
    """Compare runs with the first of them. Raises UsageError, DataError."""
    if len({run.id for run in runs}) < 2:
        raise UsageError("two different runs at least are needed to compare")
    checks = [check for _, check in reader.reference_checks()]
    sides = [_taken(reader, run) for run in all_as_known(runs, checks)]
    return Comparison(tuple(map(_drawn, sides)), differences(sides))


def _taken(reader: Reader, run: Run) -> Taken:
    columns = reader.columns_after(run.id)
    return taken(run, columns, lambda: reader.pulses_after(run.id))


def _drawn(one: Taken) -> Beside:
    trace = trace_of(one.corrected) if len(one.columns) else None
    return Beside(one.run, one.side, trace, _stability(one))


def _stability(one: Taken) -> Stability | None:
    run = one.run
    try:
        return stability(series_from_columns(one.columns, run.nominal_hz, run.divider))
    except DataError:
        return None
