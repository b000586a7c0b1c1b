"""Where devices are put in and taken out: one place for each position of a lot."""

from dataclasses import dataclass, field
from typing import Final

from benchlog.clock import Clock
from benchlog.model import RunPlan, Sample
from benchlog.recorder.run.plan_checks import position_of
from benchlog.units import NS_PER_S, format_duration, format_frequency
from benchlog.verdict.run.gross_error import other_part

GONE_AFTER: Final = 2  # our rule: one may be a glitch
"""So many answers without a signal in a row mean that the device was taken out."""
IDLE_S: Final = 60.0  # our rule: shorter is changing devices
_MINUTE_S: Final = 60.0  # definition
# FAR_LIMITS, FAR_PPM: our rule, see below.
FAR_LIMITS: Final = 20.0
FAR_PPM: Final = 2_000.0
"""A device this far off (the larger of both) is taken for another part; our rule."""
FAR_VALUES: Final = 2  # our rule: one may be a glitch
"""So many values in a row, all this far off, are asked about."""

STILL_IN: Final = (
    "the device before was not seen to be taken out: is this another one really?"
)


@dataclass(slots=True, kw_only=True)
class DeviceSite:
    """One position: the run at it, and what is seen of the device in it.

    `device` is the id that waits for its device; `seen` whether there is a signal,
    None before anything is known; `left` whether the place was seen empty since the
    last run; `forced` says that a person knows the device is in.
    """

    template: RunPlan
    clock: Clock
    run_id: int | None = None
    device: str = ""
    seen: bool | None = None
    left: bool = True
    dark: int = 0
    forced: bool = False
    said_idle: bool = False
    said_far: int = 0
    far: int = 0
    since_mono_ns: int = field(init=False)
    idled_s: float = 0.0

    def __post_init__(self) -> None:
        self.since_mono_ns = self.clock.mono_ns()

    @property
    def counter(self) -> str:
        """The name of its counter."""
        return position_of(self.template).frequency

    @property
    def name(self) -> str:
        """The position."""
        return self.template.position

    def begun(self, run_id: int) -> None:
        """Note that a run has begun here."""
        self.idled_s = self._waited_s if self._waited_s >= IDLE_S else 0.0
        self.run_id, self.device, self.dark, self.far = run_id, "", 0, 0
        self.said_idle = self.forced = False

    def ended(self) -> None:
        """Note that its run is over; the device is still in."""
        self.run_id, self.left, self.dark = None, self.seen is False, 0
        self.since_mono_ns = self.clock.mono_ns()

    @property
    def ready(self) -> bool:
        """Whether the device that is waited for is seen to be in."""
        return self.seen is True and (self.left or self.forced)

    @property
    def coming(self) -> str:
        """What to say of a device that is seen now."""
        seen = f"a device is seen at {self.name}"
        if self.left:
            return seen
        return f"{seen}, perhaps the last one: take it out, then put the next one in"

    def signal(self) -> bool:
        """Note a value; return whether a device has just come."""
        came, self.seen, self.dark = self.seen is not True, True, 0
        return came

    def darkness(self) -> bool:
        """Note an answer without a signal; return whether a device has just gone."""
        self.dark += 1
        if self.dark < GONE_AFTER or self.seen is False:
            return False
        went, self.seen, self.left = self.seen is True, False, True
        return went

    def idle(self) -> str:
        """Say once that nothing was put in for long; empty otherwise."""
        if self.said_idle or not self.idling:
            return ""
        self.said_idle = True
        return self._idle_for(round(self._waited_s))

    @property
    def idling(self) -> str:
        """How long nothing was put in, in whole minutes; empty while it is not long."""
        if self.run_id is not None or self._waited_s < IDLE_S:
            return ""
        return self._idle_for(round(self._waited_s // _MINUTE_S * _MINUTE_S))

    @property
    def _waited_s(self) -> float:
        return (self.clock.mono_ns() - self.since_mono_ns) / NS_PER_S

    def _idle_for(self, waited_s: int) -> str:
        return f"no new device at {self.name} for {format_duration(waited_s)}"

    def far_off(self, sample: Sample) -> str:
        """Ask once a run whether this is the part at all; empty otherwise."""
        if self.run_id is None or self.said_far == self.run_id:
            return ""
        part, divider = self.template.part, position_of(self.template).divider
        hz, tolerance_ppm = sample.value * divider, part.limits.tolerance_ppm
        if not 0 < hz < float("inf"):
            return ""
        off_ppm = (hz / part.nominal_hz - 1) * 1e6
        self.far = self.far + 1 if abs(off_ppm) > _far_ppm(tolerance_ppm) else 0
        if self.far < FAR_VALUES:
            return ""
        self.said_far = self.run_id
        return other_part(off_ppm, part.nominal_hz, tolerance_ppm, divider) or (
            f"it runs near {format_frequency(float(f'{hz:.5g}'))}, the part at "
            f"{format_frequency(part.nominal_hz)}: is this the right part?"
        )


def _far_ppm(tolerance_ppm: float) -> float:
    return max(FAR_PPM, FAR_LIMITS * tolerance_ppm)
