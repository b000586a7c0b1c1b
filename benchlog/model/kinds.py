"""Kinds of sources, runs, events and verdicts, as the database and files name them."""

from enum import IntFlag, StrEnum
from typing import Final

DEVIATIONS: Final = (
    "adev",
    "mdev",
    "tdev",
    "hdev",
    "totdev",
    "mtotdev",
    "ttotdev",
    "htotdev",
    "mtie",
)
"""Allan, modified Allan, time, Hadamard; the total ones of each; time interval error
(NIST SP 1065, IEEE 1139)."""


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
    QUALIFY = "qualify"


class Flag(IntFlag):
    """What is to be known of one reading besides its number."""

    NONE = 0
    SIMULATED = 1  # comes from a simulated instrument
    GAP_BEFORE = 2  # not contiguous with the reading before it
    AMBIENT_TYPED = 4  # ambient is what the operator stated
    AMBIENT_STALE = 8  # ambient was known once, but not lately: left empty
    SUSPECT = 16  # no device of the part reads so: near a multiple of nominal, or FAR
    IMPORTED = 32  # made elsewhere and read from a file
    SETTLING = 64  # the device was still settling, or a code on trial: kept, left out
    RUSHED = 256  # values before it came faster than their gate allows: refused
    TURN = 1024  # first of a turn: the counter served other devices before it
    FAR = 512  # with SUSPECT, and near no multiple: not divider or trigger level
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
    OUT_OF_TURN = "out-of-turn"
    REFUSED = "refused"
    WRONG_INSTRUMENT = "wrong-instrument"
    IN_USE = "in-use"
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
    STORE_DAMAGED = "store-damaged"
    READINGS_LOST = "readings-lost"
    AMBIENT_LOST = "ambient-lost"
    AMBIENT_RANGE = "ambient-range"
    REFERENCE_LOST = "reference-lost"
    CALIBRATION = "calibration"
    LEAKED = "leaked"
    FLOODED = "flooded"
    DISK_LOW = "disk-low"
    ASLEEP = "asleep"
    FROZEN = "frozen"
    FAULT = "fault"
    LOCAL_TIME = "local-time"
    ALARM = "alarm"
    ALARM_OVER = "alarm-over"
    ALARM_UNSENT = "alarm-unsent"
    STEP = "step"
    SETTLED = "settled"
    UNSETTLED = "unsettled"
    SET_ASIDE = "set-aside"
    HELD = "held"
    RESTORED = "restored"
    DAMAGED = "damaged"
    UNDAMAGED = "undamaged"
    REMOVED = "removed"
    SWAPPED = "swapped"
    WRONG_PART = "wrong-part"
    STILL_IN = "still-in"
    TWICE = "twice"
    IDLE = "idle"
    SEQUENCE = "sequence"
    TURN = "turn"
    SETTER = "setter"


class Decision(StrEnum):
    """The three words a verdict can be."""

    PASS = "pass"  # noqa: S105 - a verdict, no password
    FAIL = "fail"
    UNDECIDED = "undecided"
