"""What a new bench file is made of: the answers to what is wired where."""

from dataclasses import dataclass
from typing import Final

SPEAKS: Final = {
    "scpi": "it is asked, and answers (SCPI)",
    "hz": "it prints a line for each gate, in Hz",
    "khz": "it prints a line for each gate, in kHz",
    "counts": "it prints whole counts, one line for each gate of a reference",
    "pulses": "no counter: the device itself gives pulses on this port",
}
"""How what measures the device speaks."""
DIALECTS: Final = {
    "scpi": "scpi-1999",
    "hz": "line-hz",
    "khz": "line-khz",
    "counts": "line-counts",
}
LINES: Final = {
    "dcd": "a modem line of the port",
    "cts": "another",
    "dsr": "another",
    "ri": "another; of it only the trailing edge is seen",
    "rx": "the receive line: every byte is a pulse",
    "kernel": "the kernel stamps them (/dev/pps0)",
}
"""Where pulses come in."""
NONE: Final = "none"


def driver_of(speaks: str) -> str:
    """Return the driver for what speaks so."""
    drivers = {"scpi": "scpi-counter", "pulses": "pulse-edge"}
    return drivers.get(speaks, "line-counter")


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterAnswer:
    """What measures the device. Of serial options None means: as the system has it."""

    address: str
    speaks: str = "scpi"
    dialect: str | None = None
    gate_s: float = 1.0
    baud: int | None = None
    dtr: bool | None = None
    rts: bool | None = None
    gpib_address: int | None = None
    input: int | None = None
    visa_library: str | None = None
    timebase_ppm: float | None = None
    line: str = "rx"

    @property
    def driver(self) -> str:
        """The driver that speaks so."""
        return driver_of(self.speaks)

    @property
    def name(self) -> str:
        """What the bench file calls it."""
        return "device" if self.speaks == "pulses" else "counter"


@dataclass(frozen=True, slots=True, kw_only=True)
class AmbientAnswer:
    """A thermometer at an address, or a value that is typed in."""

    address: str = ""
    value_c: float | None = None
    speaks: str = "scpi"  # scpi | lines
    baud: int | None = None

    @property
    def driver(self) -> str:
        """The driver for it."""
        if self.value_c is not None:
            return "typed-in"
        if self.address.startswith("/sys/"):
            return "sysfs-thermometer"
        return "line-thermometer" if self.speaks == "lines" else "scpi-thermometer"

    @property
    def name(self) -> str:
        """What the bench file calls it."""
        return "wall" if self.value_c is not None else "room"


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseAnswer:
    """Pulses that come to this computer, and the line that they come on."""

    address: str
    line: str = "dcd"


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchAnswers:
    """A whole bench: one position, and what looks at it.

    `pulse_input` is the counter's input that the reference pulse goes to; `pulse` the
    port of this computer, `timebase` the port that the counter's own time base,
    divided down to pulses, goes to.
    """

    name: str
    counter: CounterAnswer
    ambient: AmbientAnswer | None = None
    pulse: PulseAnswer | None = None
    timebase: PulseAnswer | None = None
    pulse_input: int | None = None
    pulse_u_s: float | None = None
    position: str = "A"
    divider: float = 1.0
