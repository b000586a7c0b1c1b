"""What a trim notes of its codes: plain values in the raw bytes of its events."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from benchlog.model.kinds import EventKind
from benchlog.model.readings import Event

SET: Final = "set"
BURN_BEGUN: Final = "burn-begun"
BURNED: Final = "burned"
BURN_FAILED: Final = "burn-failed"
AFTER_BURN: Final = "after-burn"
POWER_CYCLED: Final = "power-cycled"
AFTER_POWER_CYCLE: Final = "after-power-cycle"
DIFFERS: Final = "differs"
WHATS: Final = frozenset(
    {
        *(SET, BURN_BEGUN, BURNED, BURN_FAILED),
        *(AFTER_BURN, POWER_CYCLED, AFTER_POWER_CYCLE, DIFFERS),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimNote:
    """One thing that a trim did: what, with which code, where the device was then.

    `offset_ppm` and `u_ppm` (U, 95 %) are of the readings since; `step_ppm` is the
    change from one code to the next, `steps` how many measurements the search took;
    `best` is the best code where another one is set: that which was burned before.
    """

    what: str
    code: int
    offset_ppm: float | None = None
    u_ppm: float | None = None
    step_ppm: float | None = None
    steps: int | None = None
    best: int | None = None

    def raw(self) -> bytes:
        """Return it as the raw bytes of an event."""
        told = {name: getattr(self, name) for name in self.__slots__}
        return json.dumps({k: v for k, v in told.items() if v is not None}).encode()


def trim_notes(events: Iterable[Event]) -> list[TrimNote]:
    """Return what a trim's events tell, in their order; what is none is left out."""
    found = (
        _note(event.raw)
        for event in events
        if event.kind == EventKind.TRIM and event.raw is not None
    )
    return [note for note in found if note is not None]


def _note(raw: bytes) -> TrimNote | None:
    try:
        told = json.loads(raw)
        what, code = told["what"], told["code"]
        rest = {name: _number(told.get(name)) for name in TrimNote.__slots__[2:]}
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return None
    if what not in WHATS or type(code) is not int or not abs(code) < 2**63:
        return None
    steps, best = _whole(rest.pop("steps")), _whole(rest.pop("best"))
    return TrimNote(what=what, code=code, steps=steps, best=best, **rest)


def _whole(number: float | None) -> int | None:
    return None if number is None else int(number)


def _number(value: object) -> float | None:
    """Return a finite number. Raises ValueError for anything else."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("no number")
    number = float(value)
    if not abs(number) < 1e12:
        raise ValueError("no sane number")
    return number
