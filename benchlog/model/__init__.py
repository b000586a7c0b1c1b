"""The nouns of the trade as frozen data; units are in the names.

Nothing here computes, reads or writes.
"""

from benchlog.model.bench import (
    AlarmRule,
    Bench,
    Dialect,
    Identity,
    InstrumentSpec,
    PositionSpec,
    ReferenceSpec,
)
from benchlog.model.counting import DOES_NOT_COUNT, does_not_count_text
from benchlog.model.kinds import (
    DEVIATIONS,
    Decision,
    EventKind,
    Flag,
    Kind,
    Purpose,
)
from benchlog.model.learnt import LearntStability
from benchlog.model.lots import Lot, LotRun
from benchlog.model.promises import (
    BitTiming,
    Limits,
    Load,
    Part,
    SerialLink,
    Synchronisation,
    TemperatureLaw,
    TrimRange,
    Use,
)
from benchlog.model.readings import (
    EDGE,
    GATE_CHANGE,
    Breaks,
    Columns,
    Condition,
    Edge,
    Event,
    Frequencies,
    PhasePoint,
    Phases,
    Pulses,
    Reading,
    Sample,
)
from benchlog.model.recorded import RecordedBench
from benchlog.model.runs import (
    DEVICE_ID_CHARACTERS,
    Device,
    ReferenceCheck,
    Run,
    RunPlan,
    Timebase,
    device_id_fault,
)

__all__ = [
    "DEVIATIONS",
    "DEVICE_ID_CHARACTERS",
    "DOES_NOT_COUNT",
    "EDGE",
    "GATE_CHANGE",
    "AlarmRule",
    "Bench",
    "BitTiming",
    "Breaks",
    "Columns",
    "Condition",
    "Decision",
    "Device",
    "Dialect",
    "Edge",
    "Event",
    "EventKind",
    "Flag",
    "Frequencies",
    "Identity",
    "InstrumentSpec",
    "Kind",
    "LearntStability",
    "Limits",
    "Load",
    "Lot",
    "LotRun",
    "Part",
    "PhasePoint",
    "Phases",
    "PositionSpec",
    "Pulses",
    "Purpose",
    "Reading",
    "RecordedBench",
    "ReferenceCheck",
    "ReferenceSpec",
    "Run",
    "RunPlan",
    "Sample",
    "SerialLink",
    "Synchronisation",
    "TemperatureLaw",
    "Timebase",
    "TrimRange",
    "Use",
    "device_id_fault",
    "does_not_count_text",
]
