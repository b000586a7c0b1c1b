"""What a keeper and its instrument processes say to each other over their pipes."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from benchlog.driver_values import LONGEST_GATE_S, LONGEST_TEXT, shown
from benchlog.errors import INSTRUMENT_ERRORS, InstrumentError, instrument_error
from benchlog.model import Identity, InstrumentSpec, Sample, SampleBlock

LONGEST_FAILED_RAW: Final = 1 << 17  # our rule: a line without end and what follows
DRIVER: Final = "driver"
"""Kind of a failure for which the driver itself is to blame."""


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
    is how many processes measure by turns at its address. `blocks` tells whether many
    readings are taken at once of a driver that streams.
    """

    spec: InstrumentSpec
    expect: tuple[str, str, str] | None = None
    longest_wait_s: float = 5.0
    hold: bool = True
    allowed: int | None = None
    sharers: int = 1
    blocks: bool = False


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


LONGEST_STALL_S: Final = 100 * LONGEST_GATE_S  # our rule: a hundred may share one


@dataclass(frozen=True, slots=True)
class GotBlock:
    """Many readings; `stalled_s` as of `Got`."""

    block: SampleBlock
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
        """Pack an error so that it can cross a process boundary, whatever it holds."""
        return cls(
            kind=_kind_of(error),
            message=words_of(error),
            address=bounded(error.address),
            command=bounded(error.command),
            raw=_raw(error.raw),
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


def words_of(error: BaseException) -> str:
    """Return what an error of a stranger says, cut where it has no end."""
    try:
        said = bounded(str(error))
    except Exception:  # its words are a stranger's code as well
        said = ""
    return said if said.strip() else f"{type(error).__name__} without a word"


def _kind_of(error: InstrumentError) -> str:
    """Return the kind of ours that an error is of; a subclass may name any."""
    kinds = (kind.kind for kind in INSTRUMENT_ERRORS if isinstance(error, kind))
    return next(kinds, InstrumentError.kind)


def bounded(said: object) -> str:
    """Return a text that a message can hold, cut where it has no end."""
    text = said[:LONGEST_TEXT] if isinstance(said, str) else shown(said)
    return str.encode(text, "utf-8", "backslashreplace").decode()[:LONGEST_TEXT]


def _raw(raw: object) -> bytes:
    if isinstance(raw, bytes | bytearray):
        return bytes(raw[:LONGEST_FAILED_RAW])
    return shown(raw).encode(errors="replace")


Message = AboutToOpen | Opened | Got | GotBlock | Said | Failed
