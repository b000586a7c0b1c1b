"""What a keeper and its instrument processes say to each other over their pipes."""

from dataclasses import dataclass
from enum import StrEnum

from benchlog.errors import InstrumentError, instrument_error
from benchlog.model import Identity, InstrumentSpec, Sample


class Order(StrEnum):
    """What a keeper tells an instrument process."""

    GO = "go"  # read, and go on reading
    HOLD = "hold"  # stay connected, read nothing
    STOP = "stop"  # close and end


@dataclass(frozen=True, slots=True)
class Allow:
    """An order to read so many values more, and then to hold.

    Where a reading decides whether there is to be another one, no gate is armed that
    the next device would have to wait for.
    """

    more: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What an instrument process is started with.

    `expect` is who must answer (None: whoever does first); `longest_wait_s` bounds the
    growing pauses between attempts to reopen; `hold` starts without reading; `allowed`
    bounds how many values are read before the next order (None: no bound); `sharers`
    is how many processes measure by turns at its address.
    """

    spec: InstrumentSpec
    expect: tuple[str, str, str] | None = None
    longest_wait_s: float = 5.0
    hold: bool = True
    allowed: int | None = None
    sharers: int = 1


@dataclass(frozen=True, slots=True)
class AboutToOpen:
    """The process is about to open the instrument."""

    attempt: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """The instrument answered and is the right one."""

    identity: Identity
    quantity: str
    unit: str
    read_limit_s: float
    period_s: float


@dataclass(frozen=True, slots=True)
class Got:
    """One value. `stalled_s`: how long the keeper did not take the value before it."""

    sample: Sample
    stalled_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Said:
    """Something from the instrument's own message queue."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Failed:
    """An attempt went wrong; `opened` tells whether the connection still stands."""

    kind: str
    message: str
    address: str
    command: str
    raw: bytes
    opened: bool = False

    @classmethod
    def of(cls, error: InstrumentError, *, opened: bool = False) -> "Failed":
        """Pack an error so that it can cross a process boundary."""
        return cls(
            kind=error.kind,
            message=str(error),
            address=error.address,
            command=error.command,
            raw=error.raw,
            opened=opened,
        )

    def error(self) -> InstrumentError:
        """Unpack it again."""
        return instrument_error(
            self.kind,
            self.message,
            address=self.address,
            command=self.command,
            raw=self.raw,
        )


Message = AboutToOpen | Opened | Got | Said | Failed
