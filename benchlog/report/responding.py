"""From a run in the database to what its response is worked out of."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.response import Cut, Observed, supply_cuts
from benchlog.model import EventKind, Run
from benchlog.report.study import temperature_data
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S
from benchlog.verdict.marks import read_mark
from benchlog.verdict.supply import SUPPLY, moved_note, supplies_v

Array = NDArray[np.float64]

TYPED_LATE_S: Final = 30.0
"""A mark about the supply and a measured step of it this close are one and the same."""


def observed(reader: Reader, run: Run) -> tuple[Observed, tuple[Cut, ...]]:
    """Return the readings of a run, times in s from its first, and where it is cut.

    Cuts are the operator's marks, and steps of a measured supply that no mark tells of.
    Where no supply was measured, it is what was stated for the run and in marks such as
    "supply 3.3 V".
    """
    data = temperature_data(reader, [run])
    first_s = float(data.t_s[0]) if len(data.t_s) else 0.0
    t_s = data.t_s - first_s
    marks = _marks(reader, run, first_s)
    volts_t, volts = _supply(reader, run, first_s)
    if not len(volts):
        stated = run.snapshot.get("supply_v")
        start_v = float(stated) if isinstance(stated, int | float) else None
        known = stated_supply(t_s, marks, start_v)
        return Observed(t_s, data.offset_ppm, data.ambient_c, known), marks
    known = np.interp(t_s, volts_t, volts)
    cuts = (*marks, *_unmarked(supply_cuts(volts_t, volts), marks))
    return Observed(t_s, data.offset_ppm, data.ambient_c, known), cuts


def supply_notes(reader: Reader, runs: Sequence[Run]) -> tuple[str, ...]:
    """Warn where the supply moved while a law of something else was to be found.

    From what was measured, else from what was stated for the runs and in marks.
    """
    found: list[float] = []
    for run in runs:
        conditions = [one for _, one in reader.conditions(run.id)]
        events = [one for _, one in reader.events(run.id)]
        found += supplies_v(run, conditions, events)
    return moved_note(found)


def stated_supply(t_s: Array, marks: Sequence[Cut], start_v: float | None) -> Array:
    """Return the supply in V at each time as marks state it, NaN before it is known."""
    known = np.full(len(t_s), np.nan if start_v is None else start_v)
    for mark in sorted(marks, key=lambda cut: cut.t_s):
        volts = read_mark(mark.name).volts
        if volts is not None:
            known[t_s >= mark.t_s] = volts
    return known


def _marks(reader: Reader, run: Run, first_s: float) -> tuple[Cut, ...]:
    return tuple(
        Cut(event.utc_ns / NS_PER_S - first_s, event.text or "mark")
        for _, event in reader.events(run.id)
        if event.kind == EventKind.MARK
    )


def _unmarked(steps: Sequence[Cut], marks: Sequence[Cut]) -> list[Cut]:
    """Return the steps of the supply that no mark tells of."""
    told = [mark.t_s for mark in marks if SUPPLY in mark.name.casefold()]
    return [
        step for step in steps if all(abs(step.t_s - t) > TYPED_LATE_S for t in told)
    ]


def _supply(reader: Reader, run: Run, first_s: float) -> tuple[Array, Array]:
    found = [one for _, one in reader.conditions(run.id) if one.quantity == SUPPLY]
    times = np.array([one.utc_ns / NS_PER_S - first_s for one in found], float)
    return times, np.array([one.value for one in found], float)
