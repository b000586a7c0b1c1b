"""What is measured: samples, readings, pulses, conditions, events.

Times are integer nanoseconds: `utc_ns` is the label, `mono_ns` the bench's monotonic
time within one segment.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from benchlog.model.kinds import Flag

if TYPE_CHECKING:  # instrument processes use these nouns and never need numpy
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Sample:
    """What a driver hands over for one read, before anybody has judged it.

    Parameters
    ----------
    value : float
        The quantity in `unit`.
    unit : str
        `Hz`, `C`, `V`, ... as the driver's `unit` declares.
    mono_ns, utc_ns : int
        When the answer was complete (the end of the gate).
    gate_s : float
        The gate or integration time, 0 where the notion is empty.
    raw : bytes
        The instrument's own words for this value.
    step : float | None
        What one unit of the last digit in `raw` is worth, in `unit`.
    flags : Flag
        What the driver knows of this value besides its number (`NO_FIX`).

    """

    value: float
    unit: str
    mono_ns: int
    utc_ns: int
    gate_s: float = 0.0
    raw: bytes = b""
    step: float | None = None
    flags: Flag = Flag.NONE


@dataclass(frozen=True, slots=True)
class Reading:
    """One gated frequency result as it is stored: raw, never corrected."""

    utc_ns: int | None
    mono_ns: int
    gate_s: float
    frequency_hz: float
    ambient_c: float | None = None
    flags: Flag = Flag.NONE
    raw: str | None = None


@dataclass(frozen=True, slots=True)
class Columns:
    """Readings of one run as arrays of equal length, in the order of their ids.

    `utc_ns` is -1 where an import has no time stamps; `ambient_c` is NaN where unknown.
    """

    id: "NDArray[np.int64]"
    segment: "NDArray[np.int64]"
    utc_ns: "NDArray[np.int64]"
    mono_ns: "NDArray[np.int64]"
    gate_s: "NDArray[np.float64]"
    frequency_hz: "NDArray[np.float64]"
    ambient_c: "NDArray[np.float64]"
    flags: "NDArray[np.int64]"

    def __len__(self) -> int:
        return len(self.id)


EDGE: Final = "edge"
"""Quantity and unit of an instrument that stamps pulses: a Sample is one pulse, its
value the pulse's number as the line or the kernel counts them."""


GATE_CHANGE = 1e-6
"""Relative change of the gate beyond which readings do not follow one another."""


@dataclass(frozen=True, slots=True)
class Breaks:
    """Readings that do not plainly follow the one before; arrays of equal length.

    There is a gap between, another segment, another gate or another turn began, or time
    does not go on. `at` counts from the first reading, `id` is its id; `mono_ns`,
    `utc_ns` and `segment` are of shape (k, 2): the one before and this one; `turns` is
    the first reading of a turn (`Flag.TURN`).
    """

    at: "NDArray[np.int64]"
    id: "NDArray[np.int64]"
    mono_ns: "NDArray[np.int64]"
    utc_ns: "NDArray[np.int64]"
    segment: "NDArray[np.int64]"
    turns: "NDArray[np.bool_]"

    @property
    def turned(self) -> "NDArray[np.bool_]":
        """Whether another segment began, shape (k,)."""
        found: NDArray[np.bool_] = self.segment[:, 0] != self.segment[:, 1]
        return found


@dataclass(frozen=True, slots=True)
class Frequencies:
    """What a stability figure needs of a run, in a tenth of the memory of Columns.

    Readings from before the device had settled are left out. `gate_s` is the last
    reading's, `span_ns` the monotonic time from the first to the last.
    """

    frequency_hz: "NDArray[np.float64]"
    gate_s: float
    span_ns: int
    breaks: Breaks

    def __len__(self) -> int:
        return len(self.frequency_hz)


@dataclass(frozen=True, slots=True)
class Edge:
    """One pulse of a reference or a device."""

    instrument: str
    utc_ns: int | None
    mono_ns: int
    sequence: int
    flags: Flag = Flag.NONE


@dataclass(frozen=True, slots=True)
class PhasePoint:
    """One time error of imported phase data: `phase_s` in s, as the file has it.

    It grows when the device runs fast. `raw` is the file's own text where the number
    alone would lose something (another unit, more digits than a float has).
    """

    utc_ns: int | None
    mono_ns: int
    phase_s: float
    flags: Flag = Flag.NONE
    raw: str | None = None


@dataclass(frozen=True, slots=True)
class Phases:
    """Phase points of one run as arrays of equal length, in the order of their ids."""

    mono_ns: "NDArray[np.int64]"
    phase_s: "NDArray[np.float64]"
    flags: "NDArray[np.int64]"

    def __len__(self) -> int:
        return len(self.mono_ns)


@dataclass(frozen=True, slots=True)
class Pulses:
    """Edges of one run as arrays of equal length, in the order of their ids.

    `ambient_c` are the ambient values logged beside them since the last look (any
    number) and `ambient_mono_ns` when they were, `typed` whether they are what the
    operator stated; `last_condition` is the id of the newest of them, to go on from.
    """

    id: "NDArray[np.int64]"
    segment: "NDArray[np.int64]"
    instrument: "NDArray[np.str_]"
    utc_ns: "NDArray[np.int64]"
    mono_ns: "NDArray[np.int64]"
    sequence: "NDArray[np.int64]"
    flags: "NDArray[np.int64]"
    ambient_c: tuple[float, ...] = ()
    typed: bool = False
    last_condition: int = 0
    ambient_mono_ns: tuple[int, ...] = ()

    def __len__(self) -> int:
        return len(self.id)


@dataclass(frozen=True, slots=True)
class Condition:
    """Another quantity logged beside the readings: supply V, humidity, ambient."""

    utc_ns: int
    mono_ns: int
    quantity: str
    value: float
    unit: str
    instrument: str
    flags: Flag = Flag.NONE
    raw: str | None = None


ORDERED: Final = "ordered"
READ_BACK: Final = "read back"
"""How the quantities of conditions end that are orders to setters: `supply ordered`."""


def is_order(condition: Condition) -> bool:
    """Whether a condition is an order to a setter, or what was read back of one."""
    return condition.quantity.endswith((f" {ORDERED}", f" {READ_BACK}"))


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened, in a person's words; `raw` is what had arrived."""

    utc_ns: int
    mono_ns: int
    kind: str
    text: str
    instrument: str = ""
    raw: bytes | None = None
