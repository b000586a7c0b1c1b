"""Which judge a run has: of gated readings, or of pulses."""

from typing import Any

from benchlog.model import (
    EDGE,
    Bench,
    PositionSpec,
    Run,
)
from benchlog.verdict.run.pulse_judge import PulseJudge, Trains
from benchlog.verdict.run.reading_judge import RunJudge
from benchlog.verdict.timebase.known_timebase import assumed_timebase

Judge = RunJudge | PulseJudge


def trains_of(bench: Bench, position: PositionSpec) -> Trains | None:
    """Return the pulse trains that a position is about, None for readings."""
    device = bench.instruments.get(position.frequency)
    if device is None or device.quantity != EDGE:
        return None
    named = position.reference
    reference = bench.instruments.get(named) if named else None
    interval = 1.0 if reference is None else reference.options.get("interval_s", 1.0)
    spacing_s = float(interval) if isinstance(interval, int | float) else 1.0
    return Trains(position.frequency, named, spacing_s, position.divider)


def judge_for(run: Run) -> Judge:
    """Return the judge for a run as the database knows it."""
    trains = _trains_of_run(run)
    if trains is not None:
        return PulseJudge(run.part, trains, run.timebase or assumed_timebase())
    return RunJudge(
        run.part,
        divider=run.divider,
        timebase=run.timebase,
        resolution_hz=run.resolution_hz,
    )


def _trains_of_run(run: Run) -> Trains | None:
    bench: Any = run.snapshot.get("bench") or {}
    instruments = bench.get("instruments") or {}
    for position in bench.get("positions") or ():
        device = instruments.get(position.get("frequency")) or {}
        if position.get("name") == run.position and device.get("quantity") == EDGE:
            named = position.get("reference")
            options = (instruments.get(named) or {}).get("options") or {}
            interval_s = float(options.get("interval_s") or 1.0)
            return Trains(position["frequency"], named, interval_s, run.divider)
    return None
