"""All that a page says of a run, read once from the store and judged."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from benchlog.analysis.fitting.temperature import (
    TemperatureData,
    TemperatureFit,
    fit_temperature,
    law_of,
)
from benchlog.analysis.placed_steps import PlacedStep, leveled
from benchlog.analysis.series import Series
from benchlog.analysis.spread import Spread, spread_of
from benchlog.analysis.stability.estimation import Stability, stability
from benchlog.analysis.thinning import (
    Measured,
    ReadingCourse,
    ThinnedRun,
    averaged,
    trace_of,
)
from benchlog.catalogue import list_uses
from benchlog.errors import DataError
from benchlog.evaluation.run_evaluation import Evaluation, evaluate
from benchlog.evaluation.stability.run_over_time import RunOverTime, run_over_time
from benchlog.evaluation.step_events import steps_of
from benchlog.evaluation.studies import (
    imported_phase,
    series_of,
    stamps_of,
    with_stamps,
)
from benchlog.model import (
    Event,
    Purpose,
    ReferenceCheck,
    Run,
)
from benchlog.pages.study_charts import codes_of
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment, ConditionSpan, VerdictRow
from benchlog.verdict import Assessment
from benchlog.verdict.fitness.fitness import Fitness, fitness
from benchlog.verdict.fitness.serial_links import without_repeats
from benchlog.verdict.fitness.source import measured_source
from benchlog.verdict.timebase.check_validity import KnownChecks, check_behind

EVENTS: Final = 200
"""Events printed of one run; the others are counted."""
_LEAST_SWING_C: Final = 0.5
_CURVED_FROM_C: Final = 5.0
"""Over less, a straight line is all that ambient can tell."""


_LONG: Final = 1_000  # our rule: from so many readings on a run is followed over time


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """One run with its figures; what the data cannot give is None, `notes` say why."""

    evaluation: Evaluation
    trace: ThinnedRun | None
    spread: Spread | None
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
    notes: tuple[str, ...]
    steps: tuple[PlacedStep, ...] = ()
    over_time: RunOverTime | None = None

    @property
    def run(self) -> Run:
        """The run as amended."""
        return self.evaluation.run

    @property
    def assessment(self) -> Assessment:
        """Its figures and verdict."""
        return self.evaluation.assessment


def run_record(reader: Reader, run: Run) -> RunRecord:
    """Read a run and work out what its page says. Raises StoreError, DataError."""
    checks = [check for _, check in reader.reference_checks()]
    course = ReadingCourse()
    evaluation = evaluate(
        reader, run, summary="long", each=course.feed, checks=KnownChecks(checks)
    )
    run, assessment = evaluation.run, evaluation.assessment
    events = [event for _, event in reader.events(run.id)]
    drawn = _drawn(
        course.measured(run, assessment.timebase.offset_ppm), evaluation, events
    )
    del course  # 24 octets a reading; what follows needs as much
    studied = _studied(reader, evaluation, drawn.readings)
    return RunRecord(
        evaluation=evaluation,
        trace=drawn.trace,
        spread=drawn.spread,
        stability=studied.stability,
        temperature=drawn.temperature,
        fitness=_fitness(run, assessment),
        conditions=reader.condition_spans(run.id),
        events=events[:EVENTS],
        more_events=len(events) > EVENTS,
        verdicts=reader.verdicts(run.id),
        amendments=reader.amendments(run.id),
        codes=_codes(reader, run),
        check=check_behind(run, checks),
        notes=(*studied.notes, *drawn.notes),
        steps=drawn.steps,
        over_time=studied.over_time,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawn:
    """What is drawn of all readings, which are let go then."""

    readings: int
    trace: ThinnedRun | None
    spread: Spread | None
    steps: tuple[PlacedStep, ...]
    temperature: tuple[TemperatureData, TemperatureFit] | None
    notes: tuple[str, ...] = ()


def _drawn(found: Measured, evaluation: Evaluation, events: Iterable[Event]) -> _Drawn:
    steps = () if evaluation.pulses else steps_of(events, found)
    temperature = None
    notes: tuple[str, ...] = ()
    try:
        temperature = _temperature(found, evaluation.run, steps)
    except DataError as error:
        notes = (f"no temperature law: {error}",)
    return _Drawn(
        readings=len(found.t_s),
        trace=trace_of(found) if len(found.t_s) else None,
        spread=spread_of(found.ppm),
        steps=steps,
        temperature=temperature,
        notes=notes,
    )


@dataclass(frozen=True, slots=True)
class _Studied:
    stability: Stability | None = None
    over_time: RunOverTime | None = None
    notes: tuple[str, ...] = ()


def _studied(reader: Reader, evaluation: Evaluation, readings: int) -> _Studied:
    run = evaluation.run
    try:
        series = _series(reader, evaluation, readings)
        found = with_stamps(stability(series), stamps_of(run, series))
    except DataError as error:
        return _Studied(notes=(f"no stability: {error}",))
    if readings < _LONG:
        return _Studied(found)
    try:
        return _Studied(found, run_over_time(reader, run, series))
    except DataError:
        return _Studied(found)  # too short for that


def _series(reader: Reader, evaluation: Evaluation, readings: int) -> Series:
    is_short = evaluation.assessment.timing is None and readings < 3
    if is_short and imported_phase(reader, evaluation.run) is None:
        raise DataError("it needs at least 3 readings")
    return series_of(reader, evaluation.run)


def _temperature(
    found: Measured, run: Run, steps: Sequence[PlacedStep]
) -> tuple[TemperatureData, TemperatureFit] | None:
    """Fit the usual law of the kind, or a line; None where ambient hardly moved.

    Steps are taken off: no temperature made them.
    """
    level = found
    if steps:
        level = replace(found, ppm=leveled(found.t_s, found.ppm, steps))
    t_s, ambient_c, ppm = averaged(level)
    swing_c = float(np.ptp(ambient_c)) if len(t_s) else 0.0
    if len(t_s) < 3 or swing_c < _LEAST_SWING_C:
        return None
    data = TemperatureData(t_s, ambient_c, ppm, run.thermometer_u_c)
    limits = run.part.limits
    law = law_of(run.part.kind) if swing_c >= _CURVED_FROM_C else "line"
    fit = fit_temperature(data, law, reference_c=limits.reference_c, limits=limits)
    return data, fit


def _fitness(run: Run, assessment: Assessment) -> tuple[Fitness, ...]:
    if assessment.offset_ppm is None or assessment.u_ppm is None:
        return ()
    uses = without_repeats(list_uses()[0])
    return fitness(uses, measured_source(run.device, run.part, assessment))


def _codes(reader: Reader, run: Run) -> dict[int, tuple[float, str]]:
    if run.made_for is not Purpose.TRIM:
        return {}
    return codes_of(event for _, event in reader.events(run.id))
