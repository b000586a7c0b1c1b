"""All that a page says of a run, read once from the store and judged."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, TypeVar

import numpy as np

from benchlog.analysis.fitting.temperature import (
    TemperatureData,
    TemperatureFit,
    fit_temperature,
    law_of,
)
from benchlog.analysis.pulses.trains import Comparison
from benchlog.analysis.series import series_from_columns
from benchlog.analysis.stability.estimation import Stability, stability
from benchlog.analysis.thinning import (
    Measured,
    Trace,
    averaged,
    measured,
    trace_of,
)
from benchlog.catalogue import list_uses
from benchlog.errors import DataError
from benchlog.evaluation.document import figures
from benchlog.evaluation.studies import series_of, stamps_of
from benchlog.model import Columns, Event, Purpose, ReferenceCheck, Run
from benchlog.pages.study_charts import codes_of
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment, ConditionSpan, VerdictRow
from benchlog.verdict import Assessment, judge_for
from benchlog.verdict.fitness import Fitness, fitness
from benchlog.verdict.night import Night, NightWatch
from benchlog.verdict.pulsejudge import PulseJudge
from benchlog.verdict.source import measured_source
from benchlog.verdict.standing import as_known, check_behind

_T = TypeVar("_T")
EVENTS: Final = 200
"""Events printed of one run; the others are counted."""
LONG_S: Final = 3600.0
"""A run of this length gets a summary of how it went, whatever it was for."""
_LEAST_SWING_C: Final = 0.5
_CURVED_FROM_C: Final = 5.0
"""Over less, a straight line is all that ambient can tell."""
_CHUNK: Final = 100_000


@dataclass(frozen=True, slots=True)
class RunRecord:
    """One run with its figures; what the data cannot give is None, `notes` say why."""

    run: Run
    assessment: Assessment
    document: dict[str, Any]
    measured: Measured
    trace: Trace | None
    stability: Stability | None
    temperature: tuple[TemperatureData, TemperatureFit] | None
    fitness: tuple[Fitness, ...]
    conditions: Sequence[ConditionSpan]
    events: Sequence[Event]
    more_events: bool
    verdicts: Sequence[VerdictRow]
    amendments: Sequence[Amendment]
    codes: Mapping[int, tuple[float, str]]
    check: ReferenceCheck | None
    night: Night | None
    pulses: Comparison | None
    notes: tuple[str, ...]


def run_record(reader: Reader, run: Run) -> RunRecord:
    """Read a run and work out what its page says. Raises StoreError, DataError."""
    checks = [check for _, check in reader.reference_checks()]
    run = as_known(run, checks)
    columns = reader.columns_after(run.id)
    judge = judge_for(run)
    for chunk in _chunks(columns):
        judge.feed(chunk)
    compared = None
    if isinstance(judge, PulseJudge):
        judge.feed_pulses(reader.pulses_after(run.id))
        columns, compared = judge.charted(), _compared(judge)
    assessment = judge.assessment()
    found = measured(columns, run, assessment.timebase.offset_ppm)
    notes: list[str] = []
    events = [event for _, event in reader.events(run.id, limit=EVENTS + 1)]
    return RunRecord(
        run,
        assessment,
        figures(run, assessment),
        found,
        trace_of(found) if len(columns) else None,
        _or_none(notes, "stability", lambda: _stability(reader, columns, run)),
        _or_none(notes, "temperature law", lambda: _temperature(found, run)),
        _fitness(run, assessment),
        reader.condition_spans(run.id),
        events[:EVENTS],
        len(events) > EVENTS,
        reader.verdicts(run.id),
        reader.amendments(run.id),
        _codes(reader, run),
        check_behind(run, checks),
        _night(reader, run, columns, assessment),
        compared,
        tuple(notes),
    )


def _chunks(columns: Columns) -> Iterator[Columns]:
    for at in range(0, len(columns), _CHUNK):
        part = slice(at, at + _CHUNK)
        yield Columns(*(getattr(columns, name)[part] for name in Columns.__slots__))


def _or_none(notes: list[str], what: str, work: Callable[[], _T]) -> _T | None:
    try:
        return work()
    except DataError as error:
        notes.append(f"no {what}: {error}")
        return None


def _stability(reader: Reader, columns: Columns, run: Run) -> Stability:
    if judge_for(run).takes_pulses:
        series = series_of(reader, run)
        found, stamps = stability(series), stamps_of(run, series)
        said = () if stamps is None else (stamps.text,)
        return replace(found, notes=(*said, *found.notes))
    if len(columns) < 3:
        raise DataError("it needs at least 3 readings")
    return stability(series_from_columns(columns, run.nominal_hz, run.divider))


def _temperature(
    found: Measured, run: Run
) -> tuple[TemperatureData, TemperatureFit] | None:
    """Fit the usual law of the kind, or a line; None where ambient hardly moved."""
    t_s, ambient_c, ppm = averaged(found)
    swing_c = float(np.ptp(ambient_c)) if len(t_s) else 0.0
    if len(t_s) < 3 or swing_c < _LEAST_SWING_C:
        return None
    data = TemperatureData(t_s, ambient_c, ppm)
    limits = run.part.limits
    law = law_of(run.part.kind) if swing_c >= _CURVED_FROM_C else "line"
    fit = fit_temperature(data, law, reference_c=limits.reference_c, limits=limits)
    return data, fit


def _fitness(run: Run, assessment: Assessment) -> tuple[Fitness, ...]:
    if assessment.offset_ppm is None or assessment.u_ppm is None:
        return ()
    uses, _ = list_uses()
    return fitness(uses, measured_source(run.device, run.part, assessment))


def _compared(judge: PulseJudge) -> Comparison | None:
    try:
        return judge.comparison()
    except DataError:
        return None


def _night(
    reader: Reader, run: Run, columns: Columns, assessment: Assessment
) -> Night | None:
    """Return how a soak went, or another run that took an hour or more."""
    if run.made_for is not Purpose.SOAK and assessment.stats.span_s < LONG_S:
        return None
    watch = NightWatch(run)
    for chunk in _chunks(columns):
        watch.feed(chunk)
    return watch.night(assessment, [event for _, event in reader.events(run.id)])


def _codes(reader: Reader, run: Run) -> dict[int, tuple[float, str]]:
    if run.made_for is not Purpose.TRIM:
        return {}
    return codes_of(event for _, event in reader.events(run.id))
