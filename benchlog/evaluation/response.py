"""From a run in the database to what its response is worked out of."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.response import Cut, Observed, supply_cuts
from benchlog.evaluation.figured import figured_conditions
from benchlog.evaluation.run_time.steady_time import SteadyTime, segmented_events
from benchlog.evaluation.studies import level_temperature_data
from benchlog.model import Condition, Event, EventKind, Run
from benchlog.store.logged_tables import CONDITIONS
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S
from benchlog.verdict.run.run_marks import SUPPLY, moved_note, read_mark, supplies_v

Array = NDArray[np.float64]
Notes = tuple[str, ...]

# TYPED_LATE_S, TYPED_EARLY_S: our rule: how long typing may take.
TYPED_LATE_S: Final = 30.0
"""A mark about the supply up to this long after a measured step of it is that step."""
TYPED_EARLY_S: Final = 120.0
"""Typed before the knob is turned, it is the next step within this time."""


def observed(reader: Reader, run: Run) -> tuple[Observed, tuple[Cut, ...], Notes]:
    """Return the readings of a run, times in s from its first, its cuts, and notes.

    Steps that were found are taken off, but those at a cut: they are the answers. Cuts
    are the operator's marks, and steps of a measured supply; a step that a mark
    tells of is one cut with it. Times go on evenly where the wall clock was stepped.
    Where no supply was measured, it is what was stated for the run and in marks such as
    "supply 3.3 V".
    """
    rows = _DoneRows.of(reader, run)
    volts_utc, levels_v = rows.supply(0.0)
    done = (*rows.marks(0.0), *supply_cuts(volts_utc, levels_v))
    answers_s = [cut.t_s for cut in done]
    data, steps = level_temperature_data(reader, [run], answers_s, rows.clock)
    first_s = float(data.t_s[0]) if len(data.t_s) else 0.0
    t_s, u_c = data.t_s - first_s, data.thermometer_u_c
    marks = rows.marks(first_s)
    volts_t, volts = rows.supply(first_s)
    if not len(volts):
        known = stated_supply(t_s, marks, run.supply_v)
        seen = Observed(
            t_s, data.offset_ppm, data.ambient_c, known, thermometer_u_c=u_c
        )
        return seen, marks, steps
    known = np.interp(t_s, volts_t, volts)
    cuts = one_cut(marks, supply_cuts(volts_t, volts))
    seen = Observed(t_s, data.offset_ppm, data.ambient_c, known, thermometer_u_c=u_c)
    return seen, cuts, steps


def supply_notes(reader: Reader, runs: Sequence[Run]) -> tuple[str, ...]:
    """Warn where the supply moved while a law of something else was to be found.

    From what was measured, else from what was stated for the runs and in marks.
    """
    found: list[float] = []
    for run in runs:
        conditions = _conditions(reader, run)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _DoneRows:
    """What was done in a run: its marks, and its supply as it was measured.

    `clock` goes on evenly through each segment; a row has its segment beside it.
    """

    clock: SteadyTime
    events: Sequence[tuple[int | None, Event]]
    conditions: Sequence[tuple[int | None, Condition]]

    @classmethod
    def of(cls, reader: Reader, run: Run) -> Self:
        """Read the rows of a run. Raises NoFiguresError of an absurd supply."""
        events = segmented_events(reader, run)
        conditions = _conditions(reader, run)
        logged = reader.logged(CONDITIONS, run.id, limit=len(conditions))
        beside = zip(logged.of("segment_id"), conditions, strict=True)
        return cls(clock=SteadyTime(events), events=events, conditions=[*beside])

    def marks(self, first_s: float) -> tuple[Cut, ...]:
        """Return the operator's marks; times in s from `first_s` on."""
        return tuple(
            Cut(
                self.clock.of_event(segment, event) / NS_PER_S - first_s,
                event.text or "mark",
            )
            for segment, event in self.events
            if event.kind == EventKind.MARK
        )

    def supply(self, first_s: float) -> tuple[Array, Array]:
        """Return times in s from `first_s` on, and volts."""
        found = [pair for pair in self.conditions if pair[1].quantity == SUPPLY]
        rows = [(segment or 0, one.utc_ns, one.mono_ns) for segment, one in found]
        segment, utc_ns, mono_ns = np.array(rows, np.int64).reshape(-1, 3).T
        times = self.clock.of(segment, utc_ns, mono_ns) / NS_PER_S - first_s
        return times, np.array([one.value for _, one in found], float)


def one_cut(marks: Sequence[Cut], steps: Sequence[Cut]) -> tuple[Cut, ...]:
    """Return marks and measured steps of the supply, in the order of time.

    A mark about the supply and the step that it tells of, with no other cut between,
    are one, by the name of the mark and at the time of the step: what lies between them
    is no phase, and a mean over both sides would have a voltage that never was.
    """
    found: list[Cut] = []
    for cut in sorted([*marks, *steps], key=lambda one: one.t_s):
        before = found[-1] if found else None
        joined = None if before is None else _joined(before, cut, steps)
        if joined is None:
            found.append(cut)
        else:
            found[-1] = joined
    return tuple(found)


def _joined(before: Cut, cut: Cut, steps: Sequence[Cut]) -> Cut | None:
    """Return the one cut that two neighbours are; None where they are two."""
    apart_s = cut.t_s - before.t_s
    if cut in steps and _of_supply(before, steps) and apart_s <= TYPED_EARLY_S:
        return Cut(cut.t_s, before.name)
    if before in steps and _of_supply(cut, steps) and apart_s <= TYPED_LATE_S:
        return Cut(before.t_s, cut.name)
    return None


def _of_supply(cut: Cut, steps: Sequence[Cut]) -> bool:
    """Whether a cut is a mark about the supply, and not one with its step already."""
    alone = all(cut.t_s != step.t_s for step in steps)
    return alone and SUPPLY in cut.name.casefold()


def _conditions(reader: Reader, run: Run) -> Sequence[Condition]:
    return figured_conditions(run.id, [one for _, one in reader.conditions(run.id)])
