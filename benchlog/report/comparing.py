"""Runs read from the store, side by side."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchlog.analysis.pairing import Pairs, pairs_of
from benchlog.analysis.series import series_from_columns
from benchlog.analysis.stability import Stability, stability
from benchlog.errors import DataError, UsageError
from benchlog.model import Columns, Run
from benchlog.report.trace import Measured, Trace, measured, trace_of
from benchlog.store.reader import Reader
from benchlog.store.snapshot import bench_from
from benchlog.verdict import judge_for
from benchlog.verdict.compare import Difference, Side, compare
from benchlog.verdict.pulsejudge import PulseJudge


@dataclass(frozen=True, slots=True)
class Beside:
    """One run of a comparison, with what is drawn of it."""

    run: Run
    side: Side
    measured: Measured
    utc_ns: np.ndarray
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
    sides = tuple(_beside(reader, run) for run in runs)
    first = sides[0]
    return Comparison(sides, tuple(_against(first, other) for other in sides[1:]))


def _against(first: Beside, other: Beside) -> Difference:
    found = compare(first.side, other.side, _pairs(first, other))
    void = [
        f"run {one.run.id} is void ({one.run.void}): it counts for nothing"
        for one in (first, other)
        if one.run.void is not None
    ]
    return replace(found, notes=(*found.notes, *void))


def _beside(reader: Reader, run: Run) -> Beside:
    judge = judge_for(run)
    columns = reader.columns_after(run.id)
    judge.feed(columns)
    if isinstance(judge, PulseJudge):
        judge.feed_pulses(reader.pulses_after(run.id))
        columns = judge.charted()
    assessment = judge.assessment()
    found = measured(columns, run, 0.0)
    base_ppm = assessment.timebase.offset_ppm
    corrected = measured(columns, run, base_ppm)
    counter, ageing = _counter(run)
    side = Side(run.id, run.device, assessment, counter, run.started_utc_ns, ageing)
    trace = trace_of(corrected) if len(columns) else None
    return Beside(run, side, found, columns.utc_ns, trace, _stability(columns, run))


def _stability(columns: Columns, run: Run) -> Stability | None:
    try:
        return stability(series_from_columns(columns, run.nominal_hz, run.divider))
    except DataError:
        return None


def _counter(run: Run) -> tuple[str, float | None]:
    """Return who measured the frequency, and the ageing stated of its time base."""
    plain = run.snapshot.get("bench")
    if not isinstance(plain, dict):
        return "", None
    bench = bench_from(plain)
    for position in bench.positions:
        if position.name == run.position:
            who = run.identities.get(position.frequency)
            spec = bench.instruments.get(position.frequency)
            ageing = None if spec is None else spec.timebase_ageing_ppm_per_year
            serial = "" if who is None else " ".join(who.who) if who.serial else ""
            return serial, ageing
    return "", None


def _pairs(a: Beside, b: Beside) -> Pairs | None:
    """Pair readings by UTC where both were measured at the same time."""
    stamps = a.utc_ns, b.utc_ns
    if any(not len(s) or np.any(s < 0) or np.any(np.diff(s) <= 0) for s in stamps):
        return None
    spacings = [one.side.assessment.stats.tau0_s for one in (a, b)]
    if not spacings[0] or not spacings[1]:
        return None
    if not 0.5 < spacings[1] / spacings[0] < 2.0:
        return None
    tolerance_s = 0.5 * min(spacings[0], spacings[1])
    return pairs_of((a.utc_ns, a.measured.ppm), (b.utc_ns, b.measured.ppm), tolerance_s)
