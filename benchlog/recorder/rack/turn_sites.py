"""Who wants a turn at a scanner, and what its turns need of the keeper."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from benchlog.model import PositionSpec
from benchlog.recorder.hearing_loop import Surroundings
from benchlog.recorder.instruments.instrument_messages import Failed, Got
from benchlog.recorder.instruments.instrument_pool import InstrumentPool
from benchlog.recorder.run.bookkeeper import Bookkeeper
from benchlog.recorder.run.live_run import LiveRun


@dataclass(frozen=True, slots=True)
class TurnSite:
    """A position that wants its turn; `run` None: to see whether a device is in."""

    position: PositionSpec
    run: LiveRun | None = None


class TurnOwner(Protocol):
    """What turns need of a keeper."""

    surroundings: Surroundings
    book: Bookkeeper
    pool: InstrumentPool

    def turn_sites(self, scanner: str) -> Sequence[TurnSite]:
        """Return who wants a turn now, in order."""
        ...

    def gates_alone(self, run: LiveRun) -> int | None:
        """Return how many readings a run takes that is alone; None: go on."""
        ...

    def value_in_turn(self, site: TurnSite, got: Got) -> None:
        """Take a value of the device whose turn it is."""
        ...

    def dark_in_turn(self, site: TurnSite, failed: Failed) -> None:
        """Take it that the device whose turn it is gives no signal."""
        ...
