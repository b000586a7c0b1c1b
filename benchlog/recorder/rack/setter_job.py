"""What a setter's process is started with."""

from dataclasses import dataclass
from typing import Final

from benchlog.model import InstrumentSpec

LEAVING_MIN: Final = 10
"""Real minutes for which letting go is tried without a keeper; our rule: a line comes
back by then, or somebody is there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetterJob:
    """What a setter's process is started with.

    `bounds` is the narrowest of part, position, setter and sequence, in the setter's
    unit; `dead_man_s` real seconds of silence after which it lets go. `held`: a process
    before this one was given orders, so there is something to let go of.
    """

    spec: InstrumentSpec
    bounds: tuple[float, float]
    dead_man_s: float = 5.0
    held: bool = False
