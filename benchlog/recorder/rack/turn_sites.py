"""Who wants a turn at a scanner, and what its turns need of the keeper."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from benchlog.clock import Deadline, host_deadline
from benchlog.model import InstrumentSpec, PositionSpec
from benchlog.recorder.hearing_loop import Surroundings
from benchlog.recorder.instruments.instrument_messages import Failed, Got
from benchlog.recorder.instruments.instrument_pool import InstrumentPool
from benchlog.recorder.run.bookkeeper import Bookkeeper
from benchlog.recorder.run.live_run import LiveRun

_PUT_OFF_S: Final = 0.1  # real s; our rule: a scanner answers in a few ms


@dataclass(frozen=True, slots=True)
class TurnSite:
    """A position that wants its turn; `run` None: to see whether a device is in."""

    position: PositionSpec
    run: LiveRun | None = None


def gate_of(spec: InstrumentSpec) -> float:
    """Return a counter's gate in bench seconds; 1 s where its file states none."""
    gate_s = spec.options.get("gate_s")
    return float(gate_s) if isinstance(gate_s, int | float) else 1.0


class HandOver:
    """Whether a counter waits while it is handed from one device to the next.

    What takes a keeper long, a commit above all, is put off meanwhile, but for a moment
    only: a scanner that does not answer holds no commit up.
    """

    def __init__(self) -> None:
        self._until: Deadline | None = None

    def note(self, *, waits: bool) -> None:
        """Tell whether a counter waits for an answer of a scanner."""
        if not waits:
            self._until = None
        elif self._until is None:
            self._until = host_deadline(_PUT_OFF_S)

    def left_s(self) -> float:
        """Real seconds for which a commit may be put off, 0 when nobody waits."""
        return 0.0 if self._until is None else max(0.0, self._until.left_s())


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


def bounds_of(spec: InstrumentSpec) -> tuple[float, float]:
    """Return the first and last channel of a scanner, wide where none are stated."""
    low, high = spec.options.get("low"), spec.options.get("high")
    if isinstance(low, int | float) and isinstance(high, int | float):
        return float(low), float(high)
    return 1.0, 1e6
