"""The nouns of the trade as frozen data; units are in the names.

Nothing here computes, reads or writes. Times are integer nanoseconds: `utc_ns` is the
label, `mono_ns` the bench's monotonic time within one segment.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntFlag, StrEnum
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:  # instrument processes use these nouns and never need numpy
    import numpy as np
    from numpy.typing import NDArray


class Kind(StrEnum):
    """Kinds of clock source."""

    RC = "rc"
    QUARTZ = "quartz"
    TUNING_FORK = "tuning-fork"
    CERAMIC = "ceramic"
    TCXO = "tcxo"
    OCXO = "ocxo"
    MEMS = "mems"
    OTHER = "other"


class Purpose(StrEnum):
    """What a run is for."""

    MEASURE = "measure"
    INSPECT = "inspect"
    SOAK = "soak"
    TRIM = "trim"
    REFCHECK = "refcheck"
    IMPORT = "import"


class Flag(IntFlag):
    """What is to be known of one reading besides its number."""

    NONE = 0
    SIMULATED = 1  # comes from a simulated instrument
    GAP_BEFORE = 2  # not contiguous with the reading before it
    AMBIENT_TYPED = 4  # ambient is what the operator stated
    AMBIENT_STALE = 8  # ambient was known once, but not lately: left empty
    SUSPECT = 16  # near a simple multiple of nominal: divider or trigger level?
    IMPORTED = 32  # made elsewhere and read from a file
    SETTLING = 64  # the device was still settling: kept, and left out of figures
    NO_FIX = 128  # a pulse whose receiver had no fix: never counts as reference


class EventKind(StrEnum):
    """Things that happen in a run; the text says the rest."""

    STARTED = "started"
    ENDED = "ended"
    LOST = "lost"
    BACK = "back"
    SILENT = "silent"
    NO_SIGNAL = "no-signal"
    OVERLOAD = "overload"
    GARBLED = "garbled"
    OUT_OF_STEP = "out-of-step"
    REFUSED = "refused"
    WRONG_INSTRUMENT = "wrong-instrument"
    HUNG = "hung"
    CRASHED = "crashed"
    REJECTED = "rejected"
    SUSPECT = "suspect"
    GAP = "gap"
    PAUSED = "paused"
    RESUMED = "resumed"
    AGAIN = "again"
    NOTE = "note"
    MARK = "mark"
    TRIM = "trim"
    INSTRUMENT_MESSAGE = "instrument-message"
    CLOCK_STEP = "clock-step"
    STORE_WAIT = "store-wait"
    STORE_BACK = "store-back"
    STORE_REPLACED = "store-replaced"
    READINGS_LOST = "readings-lost"
    AMBIENT_LOST = "ambient-lost"
    AMBIENT_RANGE = "ambient-range"
    REFERENCE_LOST = "reference-lost"
    CALIBRATION = "calibration"
    LEAKED = "leaked"
    FLOODED = "flooded"
    DISK_LOW = "disk-low"
    ASLEEP = "asleep"
    LOCAL_TIME = "local-time"
    ALARM = "alarm"
    ALARM_OVER = "alarm-over"
    ALARM_UNSENT = "alarm-unsent"
    STEP = "step"
    SETTLED = "settled"
    UNSETTLED = "unsettled"
    SET_ASIDE = "set-aside"
    DAMAGED = "damaged"
    REMOVED = "removed"
    SWAPPED = "swapped"
    WRONG_PART = "wrong-part"
    STILL_IN = "still-in"
    TWICE = "twice"
    IDLE = "idle"


# --- what a data sheet promises ------------------------------------------------


@dataclass(frozen=True, slots=True)
class Limits:
    """Promised limits, in ppm of nominal.

    `stability_ppm` holds over `range_c` relative to the value at `reference_c`;
    ambient counts as the reference temperature within `reference_band_c` of it.
    """

    tolerance_ppm: float
    reference_c: float = 25.0
    reference_band_c: float = 3.0
    stability_ppm: float | None = None
    range_c: tuple[float, float] | None = None
    ageing_ppm_per_year: float | None = None
    jitter_ppm: float | None = None


@dataclass(frozen=True, slots=True)
class TemperatureLaw:
    """How frequency follows temperature: ppm = sum of coefficient * (T - T0)^k.

    `law` is `line`, `parabola` or `cubic`; unused coefficients are zero.
    """

    law: str
    reference_c: float
    linear_ppm_per_c: float = 0.0
    quadratic_ppm_per_c2: float = 0.0
    cubic_ppm_per_c3: float = 0.0


@dataclass(frozen=True, slots=True)
class Load:
    """The crystal's equivalent circuit, for what a load capacitance does to it."""

    load_pf: float | None = None
    shunt_c0_pf: float | None = None
    motional_c1_ff: float | None = None


@dataclass(frozen=True, slots=True)
class TrimRange:
    """The trim codes of an RC oscillator that may be set.

    Parameters
    ----------
    safe : tuple of (low, high)
        Code intervals within which the chip keeps working; inclusive. A register with
        two overlapping ranges has two.
    fastest_ppm : float | None
        A chip that runs faster than this may misbehave while it programs itself: the
        search steps back at once and goes no further that way.
    settle_s : float
        Time for the oscillator to settle after a new code.

    """

    safe: tuple[tuple[int, int], ...]
    fastest_ppm: float | None = None
    settle_s: float = 0.05


@dataclass(frozen=True, slots=True)
class Part:
    """What a data sheet promises for one part."""

    id: str
    title: str
    kind: Kind
    nominal_hz: float
    limits: Limits
    temperature: TemperatureLaw | None = None
    load: Load = Load()
    trim: TrimRange | None = None
    notes: str = ""
    file: str = ""


# --- what an application tolerates ------------------------------------------------


@dataclass(frozen=True, slots=True)
class SerialLink:
    """Asynchronous serial: a divisor of the source's frequency makes the baud rate.

    `oversampling` is the receiver's samples for each bit, 16 or 8.
    """

    baud: float
    oversampling: int = 16
    data_bits: int = 8
    parity: bool = False


@dataclass(frozen=True, slots=True)
class BitTiming:
    """A CAN bit in time quanta: phase segments 1 and 2, synchronisation jump width."""

    bit_rate: float
    quanta: int
    phase1: int
    phase2: int
    jump: int


@dataclass(frozen=True, slots=True)
class Use:
    """What an application tolerates, with the source of that and what is known of it.

    Parameters
    ----------
    tolerance_ppm : float | None
        Stated outright; None where `serial` or `bits` make it by their formula.
    comfortable_ppm : float | None
        What the source recommends to stay within; beyond it is marginal.
    shared : bool
        The tolerance is for the difference of two ends, not for one end's offset.
    averages : bool
        Only the mean over a long time matters (a wall clock).
    status : str
        `verified`, `derived`, `secondary`, `memory` or `practice`.

    """

    id: str
    title: str
    source: str
    status: str
    tolerance_ppm: float | None = None
    comfortable_ppm: float | None = None
    shared: bool = False
    averages: bool = False
    serial: SerialLink | None = None
    bits: BitTiming | None = None
    note: str = ""
    file: str = ""


# --- what stands on the bench ---------------------------------------------------


@dataclass(frozen=True, slots=True)
class Dialect:
    """The command strings and reply pattern of one family of instruments.

    Parameters
    ----------
    name : str
        The file it came from, without `.toml`.
    talks : str
        `scpi` (asked, then answers) or `line` (talks by itself).
    commands : mapping
        Role to command text; a role that is absent is never sent. Braces name
        settings: `{"gate": "SENSe:FREQuency:APERture {gate_s}"}`.
    reply : str
        Regular expression with a group `value`; must match the whole line.
    unit : str
        Unit of `value`: `Hz`, `s` (a period), `counts` (in a reference second), `C` ...
    scale : float
        Multiplies `value` into that unit (`1e3` for kHz).
    no_signal, overload : tuple of str
        Replies (compared after stripping, case folded) that mean there is no value.

    """

    name: str
    talks: str
    title: str = ""
    commands: Mapping[str, str] = field(default_factory=dict)
    reply: str = r"(?P<value>[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?)"
    unit: str = "Hz"
    scale: float = 1.0
    terminator: str = "\n"
    no_signal: tuple[str, ...] = ()
    overload: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class InstrumentSpec:
    """One instrument of a bench file: a driver bound to an address, with options."""

    name: str
    driver: str
    address: str = ""
    options: Mapping[str, object] = field(default_factory=dict)
    timebase_ppm: float | None = None
    timebase_ageing_ppm_per_year: float | None = None
    resolution_hz: float | None = None
    simulated: bool = False
    quantity: str = ""  # what its driver says it measures; `edge` for pulses
    calibration_due: str = ""  # ISO date, empty when none is stated


@dataclass(frozen=True, slots=True)
class PositionSpec:
    """A place where a device sits: names of the instruments that look at it."""

    name: str
    frequency: str
    ambient: str | None = None
    reference: str | None = None
    supply: str | None = None
    trim: str | None = None
    divider: float = 1.0


@dataclass(frozen=True, slots=True)
class ReferenceSpec:
    """What a reference check may use and where it is wired.

    The counter looks at the reference (`input`, `nominal_hz`), or the host compares two
    pulse trains: `pulses` names the instrument that sees the reference's, `timebase`
    the one that sees the counter's time base divided down to pulses.
    """

    counter: str
    nominal_hz: float = 1.0
    input: int | None = None
    u_s: float | None = None
    u_ppm: float | None = None
    pulses: str | None = None
    timebase: str | None = None


@dataclass(frozen=True, slots=True)
class AlarmRule:
    """When somebody wants to be told, and how; one `[[alarm]]` of a bench file.

    Parameters
    ----------
    when : str
        `offset_ppm` (of the newest readings, corrected), `jitter_ppm` (rms of the
        newest), `lost_s` (an instrument delivers nothing), `ambient_c` or `disk_mb`
        (room left beside the database).
    above, below : float | None
        Beyond which value it is raised; at least one is given.
    hysteresis : float
        How far the value must come back before it is over.
    hold_s : float
        How long it must be beyond before it is raised, in bench seconds.
    quiet_s : float
        Not raised again within this time of being raised, in bench seconds.
    command : tuple of str
        A program with its arguments, started without a shell; empty for none.
    webhook : str
        Where a JSON document is posted; empty for none.

    """

    when: str
    above: float | None = None
    below: float | None = None
    hysteresis: float = 0.0
    hold_s: float = 0.0
    quiet_s: float = 600.0
    command: tuple[str, ...] = ()
    webhook: str = ""


@dataclass(frozen=True, slots=True)
class Bench:
    """Instruments and positions: one TOML file."""

    name: str
    instruments: Mapping[str, InstrumentSpec]
    positions: tuple[PositionSpec, ...]
    reference: ReferenceSpec | None = None
    title: str = ""
    file: str = ""
    alarms: tuple[AlarmRule, ...] = ()
    host_clock_ppm: float | None = None  # +- of the host's own clock, where known


@dataclass(frozen=True, slots=True)
class Identity:
    """What an instrument says it is, with the settings it was left in.

    `text` is its own words; `settings` are read back where it allows.
    """

    text: str
    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""
    simulated: bool = False
    settings: Mapping[str, str] = field(default_factory=dict)

    @property
    def who(self) -> tuple[str, str, str]:
        """What must not change while a run lasts."""
        return (self.maker, self.model, self.serial)


# --- what is measured ------------------------------------------------------------


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

    There is a gap between, another segment or another gate began, or time does not go
    on. `at` counts from the first reading, `id` is its id; `mono_ns` and `utc_ns` are
    of shape (k, 2): the one before and this one; `turned` is another segment.
    """

    at: "NDArray[np.int64]"
    id: "NDArray[np.int64]"
    mono_ns: "NDArray[np.int64]"
    utc_ns: "NDArray[np.int64]"
    turned: "NDArray[np.bool_]"


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


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened, in a person's words; `raw` is what had arrived."""

    utc_ns: int
    mono_ns: int
    kind: str
    text: str
    instrument: str = ""
    raw: bytes | None = None


# --- a run -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Device:
    """One physical thing with an id a person can read off it."""

    id: str
    part_id: str
    lot_id: str | None = None


@dataclass(frozen=True, slots=True)
class Lot:
    """A delivery: part, supplier, size, sampling plan, decision.

    `plan` is what the lot was opened with, as plain values; None where devices were
    measured under the lot's name and no plan was made.
    """

    lot: str
    part_id: str
    supplier: str = ""
    size: int | None = None
    plan: Mapping[str, object] | None = None
    decision: str | None = None
    opened_utc_ns: int = 0


@dataclass(frozen=True, slots=True)
class LotRun:
    """One run of a lot's inspection as its decision needs it; None is unknown.

    `set_aside` and `damaged` say that such an event is in the run.
    """

    run: int
    device: str
    position: str
    started_utc_ns: int
    ended_how: str | None
    word: str | None
    offset_ppm: float | None = None
    u_ppm: float | None = None
    limit_ppm: float | None = None
    ambient_c: float | None = None
    readings: int | None = None
    set_aside: bool = False
    damaged: bool = False


@dataclass(frozen=True, slots=True)
class RunPlan:
    """Everything a run is begun with; frozen into the database as its snapshot."""

    purpose: Purpose
    device: str
    part: Part
    position: str
    bench: Bench
    lot: str | None = None
    operator: str = ""
    note: str = ""
    load_pf: float | None = None
    supply_v: float | None = None
    max_readings: int | None = None
    max_s: float | None = None
    until_clear: bool = False
    min_readings: int = 10
    software: str = ""
    checks: str | None = None
    """The instrument whose time base this run checks; no device is judged then."""


@dataclass(frozen=True, slots=True)
class Timebase:
    """What is known of the counter's time base when a figure is corrected.

    `status` is `checked` (a valid reference check), `stated` (the bench file) or
    `assumed` (+-1 ppm rectangular). Positive `offset_ppm` is a fast time base, which
    reads low. `u_ppm` is the *standard* uncertainty. Where pulses are compared, `u_s`
    is that of the time at either end, in s: it adds sqrt(2) u_s / T over a length T.
    """

    status: str
    offset_ppm: float
    u_ppm: float
    valid_until_utc_ns: int | None = None
    text: str = ""
    degrees_of_freedom: float = float("inf")
    u_s: float = 0.0
    stale: bool = False  # there was a check, and it holds no more


@dataclass(frozen=True, slots=True)
class Run:
    """One device at one position for one purpose, as the database knows it.

    Parameters
    ----------
    part, timebase, nominal_hz :
        What the newest verdict rests on; what the run was begun with is in `snapshot`.
    judged_again : bool
        Whether that is something else than the run was begun with.
    device : str
        Its id, corrected where it was mistyped.
    typed_device : str | None
        What was typed first, where it was corrected.
    void : str | None
        Why the run counts for nothing, if it does.

    """

    id: int
    purpose: Purpose
    device: str
    part: Part
    position: str
    bench: str
    nominal_hz: float
    divider: float
    simulated: bool
    started_utc_ns: int
    ended_utc_ns: int | None
    ended_how: str | None
    lot: str | None = None
    operator: str = ""
    note: str = ""
    snapshot: Mapping[str, object] = field(default_factory=dict)
    identities: Mapping[str, Identity] = field(default_factory=dict)
    timebase: Timebase | None = None
    resolution_hz: float | None = None
    control: str = ""
    readings: int = 0
    verdict: str | None = None
    offset_ppm: float | None = None
    u_ppm: float | None = None
    typed_device: str | None = None
    void: str | None = None
    judged_again: bool = False

    @property
    def open(self) -> bool:
        """Whether the run has not ended."""
        return self.ended_utc_ns is None


@dataclass(frozen=True, slots=True)
class ReferenceCheck:
    """Time-base offset of one instrument, by its serial number."""

    instrument: Identity
    offset_ppm: float
    u_ppm: float
    method: str
    at_utc_ns: int
    valid_until_utc_ns: int
    run_id: int | None = None


class Word(StrEnum):
    """The three words a verdict can be."""

    PASS = "pass"  # noqa: S105 - a verdict, no password
    FAIL = "fail"
    UNDECIDED = "undecided"
