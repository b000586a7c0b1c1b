"""Test sequences for a rack of devices, as their files say: steps, places, waits."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum


class Drive(StrEnum):
    """What a step may set."""

    TEMPERATURE = "temperature"
    SUPPLY = "supply"
    CONTROL = "control"
    LOAD = "load"


DRIVE_UNITS = {
    Drive.TEMPERATURE: "C",
    Drive.SUPPLY: "V",
    Drive.CONTROL: "V",
    Drive.LOAD: "pF",
}
PLACES = ("low", "reference", "high")
"""Words for the ends of what the part promises, and for where it promises it."""


@dataclass(frozen=True, slots=True)
class DrivePlace:
    """Where a drive is set: a number, or a way from one place of the part to another.

    `between` holds two words of `PLACES`; `share` is how far from the first to the
    second, 0 to 1. A number stands in `value` alone.
    """

    value: float | None = None
    between: tuple[str, str] = ("reference", "reference")
    share: float = 0.0


@dataclass(frozen=True, slots=True)
class Target:
    """One drive and where a step sets it."""

    drive: Drive
    place: DrivePlace


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step: what is set, until when it waits, and how it measures.

    Parameters
    ----------
    name : str
        What a person calls it.
    targets : tuple of Target
        What it sets, all at once.
    ramp_per_min : float | None
        How fast temperature may be changed, in C a minute; None as the chamber likes.
    power : bool | None
        Devices switched on or off; None leaves them.
    anew : bool
        Power goes off, for `wait_s`, and on anew for each device, which is then looked
        at alone until it runs, for `scan_s` at most.
    settle : bool
        Whether it waits until devices and probe have settled.
    wait_s : float
        Waited after that, in bench seconds.
    gates : int
        Gates of each device that it measures; 0 measures nothing.
    scan_s : float | None
        Scanned over and over for so long, in bench seconds; None scans once.
    at_most_s : float
        How long it may wait for devices to settle, in bench seconds.
    late : str
        What happens then: one of `LATE`.

    """

    name: str
    targets: tuple[Target, ...] = ()
    ramp_per_min: float | None = None
    power: bool | None = None
    anew: bool = False
    settle: bool = False
    wait_s: float = 0.0
    gates: int = 0
    scan_s: float | None = None
    at_most_s: float = 7200.0
    late: str = "go-on"


LATE = ("go-on", "skip", "stop")
"""A point that has not settled in its time is measured and marked, left out, or ends
the sequence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loop:
    """Steps that are gone through `times` times, one pass every `every_s` at least."""

    times: int
    steps: tuple[Step, ...]
    every_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SettledRule:
    """When a point counts as settled: slopes of device and probe within a window.

    `device_ppm_per_min` is the slope of a device's frequency, `probe_c_per_min` that of
    the probe, `probe_band_c` how far the probe may be from where it was sent;
    `window_s` is what the slopes are taken over.
    """

    device_ppm_per_min: float = 0.05
    probe_c_per_min: float = 0.2
    probe_band_c: float = 1.0
    window_s: float = 120.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """A test sequence. `bounds` are its own, for each drive that has any."""

    id: str
    title: str
    source: str
    finds: tuple[str, ...]
    steps: tuple[Step | Loop, ...]
    settled: SettledRule = SettledRule()
    bounds: dict[Drive, tuple[float, float]] = field(default_factory=dict)
    note: str = ""
    file: str = ""

    def each_step(self) -> Iterator[Step]:
        """Yield the steps as they are written, those of a loop once."""
        for step in self.steps:
            if isinstance(step, Loop):
                yield from step.steps
            else:
                yield step


CHARACTERISTICS = {
    "offset-at-reference": "frequency offset at the reference temperature",
    "frequency-temperature": "frequency against temperature, from its reference value",
    "temperature-slope": "steepest slope of frequency against temperature",
    "hysteresis": "largest difference between rising and falling temperature",
    "activity-dips": "narrow departures from the smooth law",
    "start-up": "time from power to the first reading of a device that runs",
    "warm-up": "time to within a stated ppm of the value after an hour",
    "retrace": "change over a time without power",
    "supply": "change with the supply",
    "load": "change with the load capacitance",
    "adjustment-range": "least change that the control voltage reaches either way",
    "linearity": "departure from the straight line against control voltage",
    "absolute-pull-range": "adjustment left when all that is promised has been used",
    "ageing": "drift with time",
}
"""What a sequence may find, and what each is."""
