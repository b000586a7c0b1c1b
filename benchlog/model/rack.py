"""A qualification: which sequence a rack's devices are taken through, step by step."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

STEP_BEGINS: Final = "begins"
STEP_OVER: Final = "over"
"""What an event of kind `sequence` has beside its step, in its raw bytes as JSON."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepRecord:
    """A step as it was planned: where each drive stands, and what is measured.

    `state` has the drives that were set so far, by name, in their units; `gates` 0
    measures nothing; `scan_s` is for how long devices are scanned over and over; `anew`
    tells that each was switched off and on for that.
    `begins_s` and `ends_s` are when that was expected, from the sequence's begin, in
    bench seconds.
    """

    index: int
    name: str
    state: Mapping[str, float] = field(default_factory=dict)
    powered: bool = True
    gates: int = 0
    scan_s: float | None = None
    anew: bool = False
    begins_s: float | None = None
    ends_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class QualificationPlan:
    """What the runs of one qualification have in common.

    `uid` is the same for all devices of the rack; `document` is the sequence's file, so
    that it can be gone on with; `finds` is what is worked out; `devices` has every
    device by its position, also those whose run was never begun.
    """

    uid: str
    sequence: str
    title: str = ""
    source: str = ""
    finds: tuple[str, ...] = ()
    steps: tuple[StepRecord, ...] = ()
    document: Mapping[str, object] = field(default_factory=dict)
    devices: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """One turn of a device: the readings between two moments, and what it was for.

    `begin_utc_ns` to `end_utc_ns` hold the whole of its gates; `lasted_ns` is how long
    that was, whatever was done to the wall clock meanwhile. `settled` tells whether
    the point counted as settled; `ran` whether the device gave a signal; `drift` is its
    slope just before, in ppm a minute. Of a device that was switched on anew for this
    turn, `started_s` has from when and until when after power on it began to run, in
    bench seconds.
    """

    step: int
    begin_utc_ns: int
    end_utc_ns: int
    readings: int
    settled: bool = True
    ran: bool = True
    drift_ppm_per_min: float | None = None
    since_power_s: float | None = None
    started_s: tuple[float, float] | None = None
    lasted_ns: int | None = None  # earlier versions did not tell it

    @property
    def took_ns(self) -> int:
        """How long it took, in ns; by the wall clock where nothing else is told."""
        if self.lasted_ns is not None:
            return self.lasted_ns
        return self.end_utc_ns - self.begin_utc_ns
