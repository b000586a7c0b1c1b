"""What a person may say of a file to be imported."""

from dataclasses import dataclass
from typing import Final

from benchlog.errors import UsageError
from benchlog.exchange.file_limits import USUAL, FileLimits
from benchlog.model import Part, Timebase

DATA: Final = ("frequency", "fractional", "phase")
UNITS: Final = {
    "frequency": ("Hz", "kHz", "MHz", "GHz"),
    "fractional": ("%", "ppm", "ppb"),
    "phase": ("s", "ms", "us", "ns"),
}
"""Units that bare numbers may be said to have, by what they are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMeaning:
    """What the numbers of a file mean.

    Parameters
    ----------
    nominal_hz : float
        The nominal frequency of what was measured.
    data : str
        `frequency` (Hz), `fractional` ((f - f0)/f0, a ratio) or `phase` (time error
        in s; grows when the device runs fast).
    column, time_column : int | None
        The columns of the data and of the time, counted from 1; None lets them be
        found.
    gate_s : float | None
        The gate time; None: the spacing of the time stamps, else 1 s (and it is said).
    unit : str
        One of `UNITS`, of numbers that have none beside them; empty: as the column's
        head says, else the base unit.

    """

    nominal_hz: float
    data: str = "frequency"
    column: int | None = None
    gate_s: float | None = None
    time_column: int | None = None
    unit: str = ""

    def __post_init__(self) -> None:
        if self.data not in DATA:
            raise UsageError(f"data {self.data!r} is none of {', '.join(DATA)}")
        if self.unit and self.unit not in UNITS[self.data]:
            raise UsageError(
                f"unit {self.unit!r} is none of {', '.join(UNITS[self.data])}, which "
                f"--data {self.data} may have"
            )
        if not 0 < self.nominal_hz < float("inf"):
            raise UsageError(
                f"nominal frequency {self.nominal_hz!r} must be above zero, in Hz"
            )
        if self.gate_s is not None and not 0 < self.gate_s < float("inf"):
            raise UsageError(f"gate {self.gate_s!r} s is not above zero")
        for column in (self.column, self.time_column):
            if column is not None and column < 1:
                raise UsageError(f"column {column}: columns count from 1")
        if self.column is not None and self.column == self.time_column:
            raise UsageError(f"column {self.column} is not both data and time")


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportOptions:
    """How a file is to be imported and what its run is to be called.

    `nominal_hz` may be None for a file that `export` wrote, which knows it, and where
    `part` is given, which has one. `device`
    empty means the file's own device, else its name without suffix. `part` None means
    the file's own part, else one without promises. `timebase` None: nothing is known.
    `again`: bring in an export also when its run is here already. `limits`: how much of
    the file is read.
    """

    nominal_hz: float | None = None
    gate_s: float | None = None
    column: int | None = None
    time_column: int | None = None
    data: str = "frequency"
    device: str = ""
    part: Part | None = None
    lot: str | None = None
    operator: str = ""
    note: str = ""
    software: str = ""
    timebase: Timebase | None = None
    again: bool = False
    unit: str = ""
    limits: FileLimits = USUAL

    def wanted(self) -> ColumnMeaning:
        """Return what the numbers mean. Raises UsageError, also without nominal."""
        nominal_hz = self.nominal_hz
        if nominal_hz is None and self.part is not None:
            nominal_hz = self.part.nominal_hz
        if nominal_hz is None:
            raise UsageError(
                "what is the nominal frequency? The file does not say; "
                "give it with --nominal-hz, or a part with --part"
            )
        return ColumnMeaning(
            nominal_hz=nominal_hz,
            data=self.data,
            column=self.column,
            gate_s=self.gate_s,
            time_column=self.time_column,
            unit=self.unit,
        )
