"""Which judge a run has: of gated readings, or of pulses."""

from collections.abc import Mapping
from typing import TypeAlias

from benchlog.model import EDGE, InstrumentSpec, Part, PositionSpec, Run, Timebase
from benchlog.verdict.run.pulse_judge import PulseJudge, Trains
from benchlog.verdict.run.reading_judge import RunJudge
from benchlog.verdict.timebase.known_timebase import assumed_timebase

AnyJudge: TypeAlias = RunJudge | PulseJudge


def judge_for(run: Run) -> AnyJudge:
    """Return the judge for a run as the database knows it."""
    trains = None
    if run.hook_up is not None:
        instruments = run.recorded_bench.instruments
        trains = trains_of(instruments, run.hook_up, run.divider)
    return judge_of(
        run.part,
        trains,
        divider=run.divider,
        timebase=run.timebase,
        resolution_hz=run.resolution_hz,
        over_temperature=run.over_temperature,
        cut=run.counter_spec is not None and run.counter_spec.counts.cut,
        thermometer_u_c=run.thermometer_u_c,
    )


def judge_of(
    part: Part,
    trains: Trains | None,
    *,
    divider: float,
    timebase: Timebase | None,
    resolution_hz: float | None,
    over_temperature: bool = False,
    cut: bool = False,
    thermometer_u_c: float | None = None,
) -> AnyJudge:
    """Return a judge of pulses where there are `trains`, else one of readings."""
    if trains is not None:
        return PulseJudge(
            part,
            trains,
            timebase or assumed_timebase(),
            over_temperature=over_temperature,
            thermometer_u_c=thermometer_u_c,
        )
    return RunJudge(
        part,
        divider=divider,
        timebase=timebase,
        resolution_hz=resolution_hz,
        over_temperature=over_temperature,
        cut=cut,
        thermometer_u_c=thermometer_u_c,
    )


def trains_of(
    instruments: Mapping[str, InstrumentSpec], position: PositionSpec, divider: float
) -> Trains | None:
    """Return the pulse trains that a position is about, None for readings."""
    device = instruments.get(position.frequency)
    if device is None or device.quantity != EDGE:
        return None
    named = position.reference
    reference = instruments.get(named) if named else None
    interval = None if reference is None else reference.options.get("interval_s")
    stated = isinstance(interval, int | float) and interval > 0
    spacing_s = float(interval) if stated else 1.0  # type: ignore[arg-type]
    return Trains(position.frequency, named, spacing_s, divider)
