"""Whether the supply moved while a law of something else was to be found."""

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from benchlog.analysis.response import STEP_V
from benchlog.model import Condition, Event, EventKind, Run
from benchlog.verdict.marks import read_mark

SUPPLY: Final = "supply"


def supplies_v(
    run: Run, conditions: Iterable[Condition], events: Iterable[Event]
) -> list[float]:
    """Return between what voltages the supply of a run was; nothing if it is unknown.

    As it was measured, else as it was stated for the run and in marks.
    """
    volts = [one.value for one in conditions if one.quantity == SUPPLY]
    if volts:  # one bad value of a meter is no supply that moved
        low, high = np.percentile(volts, (2.0, 98.0))
        return [float(low), float(high)]
    marks = (one.text for one in events if one.kind == EventKind.MARK)
    stated = [run.snapshot.get("supply_v"), *(read_mark(text).volts for text in marks)]
    return [float(one) for one in stated if isinstance(one, int | float)]


def moved_note(volts: Sequence[float]) -> tuple[str, ...]:
    """Warn where these differ by more than the step that counts as a move."""
    if not volts or max(volts) - min(volts) <= STEP_V:
        return ()
    return (
        f"the supply moved, too: {min(volts):.2f} to {max(volts):.2f} V; what that did "
        "is in this law, `response` shows it beside the temperature",
    )
