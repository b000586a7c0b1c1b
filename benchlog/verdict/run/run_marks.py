"""What a person's mark tells of a run, and whether the supply moved meanwhile."""

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchlog.analysis.response import STEP_V
from benchlog.model import (
    Condition,
    Event,
    EventKind,
    Run,
)
from benchlog.units import as_stated

WORDS: Final = ("warming", "cooling", "supply")
"""Words that `benchlog response` and its readers take up."""
MOST_V: Final = 60.0
"""More is no clock source's supply but a slip of the hand: beyond what counts as extra
low voltage (60 V direct; IEC 61140, from memory), and beyond any part known to us."""
_OTHER_SUPPLY: Final = 3.0  # our rule: a point slipped, and no test of low supply
"""Times the supply stated for the run, or its inverse, from which on it is asked."""
_ALIKE: Final = 0.7  # our rule: a letter or two wrong
_VOLTS: Final = re.compile(
    r"\bsupply\b\D{0,12}?(?<![-\d.,])(\d{1,9}(?:[.,]\d{1,6})?)\s*V\b", re.I
)


@dataclass(frozen=True, slots=True)
class Mark:
    """What a mark means.

    `volts` is the supply that it states, None where it states none that can be; `said`
    is what a person should be told of it, empty when all is plain.
    """

    volts: float | None = None
    said: str = ""


def read_mark(text: str, stated_v: float | None = None) -> Mark:
    """Return what a mark means; `stated_v` is the supply stated for the run."""
    found = _VOLTS.search(text)
    if found:
        return _supply(found[1], stated_v)
    first = next(iter(re.findall(r"[^\W\d_]+", text.casefold())), "")
    if first in WORDS:
        said = "no voltage is understood; write it as: supply 2.8 V"
        return Mark(said=said if first == "supply" else "")
    near = difflib.get_close_matches(first, WORDS, n=1, cutoff=_ALIKE)
    return Mark(said=f"did you mean {near[0]}?" if near else "")


def _supply(number: str, stated_v: float | None) -> Mark:
    volts = float(number.replace(",", "."))
    if volts > MOST_V:
        return Mark(
            said=(
                f"{as_stated(volts)} V is beyond {as_stated(MOST_V)} V: not taken "
                "as a supply"
            )
        )
    if stated_v and not 1 / _OTHER_SUPPLY <= volts / stated_v <= _OTHER_SUPPLY:
        return Mark(
            volts,
            f"is {as_stated(volts)} V meant? {as_stated(stated_v)} V is stated for "
            "the run",
        )
    return Mark(volts, f"understood as {as_stated(volts)} V" if "," in number else "")


# --- whether the supply moved while a law of something else was to be found

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
    stated = [run.supply_v, *(read_mark(text).volts for text in marks)]
    return [float(one) for one in stated if isinstance(one, int | float)]


def moved_note(volts: Sequence[float]) -> tuple[str, ...]:
    """Warn where these differ by more than the step that counts as a move."""
    if not volts or max(volts) - min(volts) <= STEP_V:
        return ()
    return (
        f"the supply moved, too: {min(volts):.2f} to {max(volts):.2f} V; what that did "
        "is in this law, `response` shows it beside the temperature",
    )
