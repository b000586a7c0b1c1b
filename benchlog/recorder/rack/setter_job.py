"""What a setter's process is started with."""

import math
from dataclasses import dataclass, replace
from typing import Any, Final, Self

from benchlog.errors import (
    BenchlogError,
    InstrumentError,
    RefusedError,
    WrongInstrumentError,
)
from benchlog.model import Identity, InstrumentSpec
from benchlog.recorder.instruments.instrument_messages import words_of
from benchlog.units import as_stated, printable

LEAVING_MIN: Final = 10
"""Real minutes for which letting go is tried without a keeper; our rule: a line comes
back by then, or somebody is there."""

_LONGEST: Final = 2000  # our rule: bounds what a report tells


@dataclass(frozen=True, slots=True, kw_only=True)
class SetterJob:
    """What a setter's process is started with.

    `bounds` is the narrowest of part, position, setter and sequence, in the setter's
    unit; `dead_man_s` real seconds of silence after which it lets go. `held`: a process
    before this one was given orders, so there is something to let go of. `expect` is
    who answered at first, as it was told; empty before. `asks` is the descriptor at
    which its keeper answers whether it may be set (`setter_hold.py`), below zero where
    nobody is asked; `granted`: it may.
    """

    spec: InstrumentSpec
    bounds: tuple[float, float]
    dead_man_s: float = 5.0
    held: bool = False
    expect: str = ""
    asks: int = -1
    granted: bool = False

    def with_grant(self) -> Self:
        """Return it as a setter has it that may be given orders."""
        return replace(self, granted=True)

    def within(self, value: object, *, opens_all: bool) -> float:
        """Return a value that may be set; 0 opens all channels of a scanner.

        Raises RefusedError.
        """
        low, high = self.bounds
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise RefusedError(f"{value!r} is no number")
        opens = value == 0 and opens_all
        if not (math.isfinite(value) and (low <= value <= high or opens)):
            raise RefusedError(
                f"{as_stated(float(value))} is outside {as_stated(low)} to "
                f"{as_stated(high)}, what part, position, setter and sequence all allow"
            )
        return float(value)

    def met(self, identity: Identity) -> Self:
        """Return it with who answers from now on.

        Another scanner's channels lead to other devices, and another chamber may be
        heating somebody else's. Raises WrongInstrumentError for one.
        """
        text = as_told(identity.text)
        if self.expect not in ("", text):
            raise WrongInstrumentError(
                f"{text!r} answers where {self.expect!r} was; it is given no "
                "orders: put the right instrument back",
                address=self.spec.address,
            )
        return replace(self, expect=text)


def job_for(spec: InstrumentSpec, bounds: tuple[float, float]) -> SetterJob:
    """Return what the process of a setter of a bench file is started with."""
    patience = spec.options.get("dead_man_s")
    if not isinstance(patience, int | float):
        return SetterJob(spec=spec, bounds=bounds)
    return SetterJob(spec=spec, bounds=bounds, dead_man_s=float(patience))


def told_of(identity: Identity) -> dict[str, Any]:
    """Return who answers, as a setter's report has it."""
    return {
        "text": identity.text,
        "who": identity.who,
        "simulated": identity.simulated,
    }


def fault_of(error: BenchlogError) -> dict[str, str]:
    """Return an error, as a setter's report has it, with its kind where it has one."""
    kind = error.kind if isinstance(error, InstrumentError) else ""
    return {"text": words_of(error), "error": kind}


def as_told(text: str) -> str:
    """Return a text as a setter's report carries it."""
    return printable(text)[:_LONGEST]
