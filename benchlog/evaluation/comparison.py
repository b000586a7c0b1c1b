"""Runs of the database beside each other."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchlog.analysis.pairing import Pairs, pairs_of
from benchlog.analysis.series import series_from_columns
from benchlog.analysis.stability.estimation import Stability, stability
from benchlog.analysis.thinning import (
    Measured,
    ThinnedRun,
    measured,
    trace_of,
)
from benchlog.errors import DataError, UsageError
from benchlog.evaluation.run_evaluation import Evaluation, evaluate
from benchlog.evaluation.run_time.own_time import by_clock
from benchlog.evaluation.run_time.steady_time import SteadyTime, segmented_events
from benchlog.model import Columns, Run
from benchlog.store.reader import Reader
from benchlog.verdict.run.comparison import Difference, Side, compare
from benchlog.verdict.timebase.check_validity import KnownChecks


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSide:
    """One run of a comparison.

    `columns` are its readings; of pulses, offsets over stretches of it. `as_read` are
    the same as time and offset, not corrected: what both runs share falls out. `clock`
    tells how long each of its pauses lasted.
    """

    evaluation: Evaluation
    side: Side
    columns: Columns
    as_read: Measured
    clock: SteadyTime

    @property
    def run(self) -> Run:
        """The run as it is known by now."""
        return self.evaluation.run

    @property
    def corrected(self) -> Measured:
        """The readings, corrected for what is known of the time base."""
        base_ppm = self.evaluation.assessment.timebase.offset_ppm
        return measured(self.columns, self.run, base_ppm)


@dataclass(frozen=True, slots=True)
class ComparedRun:
    """One run of a comparison, with what is drawn of it; its readings are let go."""

    evaluation: Evaluation
    side: Side
    trace: ThinnedRun | None
    stability: Stability | None

    @property
    def run(self) -> Run:
        """The run as it is known by now."""
        return self.evaluation.run


@dataclass(frozen=True, slots=True)
class RunComparison:
    """Runs in the order they were named; each but the first against the first."""

    runs: tuple[ComparedRun, ...]
    differences: tuple[Difference, ...]


def comparison(reader: Reader, runs: Sequence[Run]) -> RunComparison:
    """Compare runs with the first of them. Raises UsageError, DataError."""
    if len({run.id for run in runs}) < 2:
        raise UsageError("two different runs at least are needed to compare")
    sides = sides_of(reader, runs)
    return RunComparison(tuple(map(_drawn, sides)), differences(sides))


def sides_of(reader: Reader, runs: Sequence[Run]) -> list[RunSide]:
    """Read runs whole and judge them, as sides of a comparison. Raises StoreError."""
    checks = KnownChecks(check for _, check in reader.reference_checks())
    return [
        _side(
            evaluate(reader, run, whole=True, checks=checks),
            SteadyTime(segmented_events(reader, run)),
        )
        for run in runs
    ]


def differences(sides: Iterable[RunSide]) -> tuple[Difference, ...]:
    """Return how each but the first compares with the first."""
    first, *others = sides
    return tuple(_against(first, other) for other in others)


def stability_of(side: RunSide) -> Stability | None:
    """Return the Allan deviation of a run's columns; None where they cannot tell."""
    run, columns = side.run, by_clock(side.clock, side.columns)
    try:
        return stability(series_from_columns(columns, run.nominal_hz, run.divider))
    except DataError:
        return None


def _side(found: Evaluation, clock: SteadyTime) -> RunSide:
    run, columns = found.run, found.columns
    assert columns is not None  # it was asked for
    counter, ageing = _counter(run)
    side = Side(
        run=run.id,
        name=run.device,
        assessment=found.assessment,
        counter=counter,
        started_utc_ns=run.started_utc_ns,
        ageing_ppm_per_year=ageing,
    )
    return RunSide(
        evaluation=found,
        side=side,
        columns=columns,
        as_read=measured(columns, run, 0.0),
        clock=clock,
    )


def _drawn(one: RunSide) -> ComparedRun:
    trace = trace_of(one.corrected) if len(one.columns) else None
    light = replace(one.evaluation, columns=None)
    return ComparedRun(light, one.side, trace, stability_of(one))


def _against(first: RunSide, other: RunSide) -> Difference:
    found = compare(first.side, other.side, _pairs(first, other))
    uncounted = [
        f"run {one.run.id} {one.evaluation.not_counted_text}"
        for one in (first, other)
        if one.evaluation.not_counted_text
    ]
    doubts = [
        f"run {one.run.id}: {one.run.timebase.doubt}"
        for one in (first, other)
        if one.run.timebase is not None and one.run.timebase.doubt
    ]
    return replace(found, notes=(*found.notes, *uncounted, *doubts))


def _counter(run: Run) -> tuple[str, float | None]:
    """Return who measured the frequency, and the ageing stated of its time base."""
    who, spec = run.counter_identity, run.counter_spec
    serial = " ".join(who.who) if who is not None and who.serial else ""
    return serial, None if spec is None else spec.timebase_ageing_ppm_per_year


def _pairs(a: RunSide, b: RunSide) -> Pairs | None:
    """Pair readings by UTC where both were measured at the same time."""
    stamps = a.columns.utc_ns, b.columns.utc_ns
    if any(not len(s) or np.any(s < 0) or np.any(np.diff(s) <= 0) for s in stamps):
        return None
    spacings = [one.evaluation.assessment.stats.tau0_s for one in (a, b)]
    if not spacings[0] or not spacings[1]:
        return None
    if not 0.5 < spacings[1] / spacings[0] < 2.0:
        return None
    tolerance_s = 0.5 * min(spacings[0], spacings[1])
    ppm = a.as_read.ppm, b.as_read.ppm
    return pairs_of((stamps[0], ppm[0]), (stamps[1], ppm[1]), tolerance_s)
