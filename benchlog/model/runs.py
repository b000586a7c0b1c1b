"""Devices, lots, runs and reference checks."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from benchlog.model.bench import Bench, Identity, InstrumentSpec, PositionSpec
from benchlog.model.kinds import Purpose
from benchlog.model.promises import Part
from benchlog.model.recorded import (
    RecordedBench,
    RecordedPart,
    recorded_bench,
    recorded_part,
)


@dataclass(frozen=True, slots=True)
class Device:
    """One physical thing with an id a person can read off it."""

    id: str
    part_id: str
    lot_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class LotRun:
    """One run of a lot's inspection as its decision needs it; None is unknown.

    `set_aside` and `damaged` say that such an event is in the run, and that none which
    takes it back came later. `held` is what is asked about the device until a person
    answers; a run that is held is set aside.
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
    simulated: bool = False
    held: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
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
    over_temperature: bool = False
    """Whether tolerance and stability together are the limit; only when asked for."""
    checks: str | None = None
    """The instrument whose time base this run checks; no device is judged then."""


@dataclass(frozen=True, slots=True, kw_only=True)
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
    doubt: str = ""  # what speaks against the check it rests on, as is known by now
    apart_ppm: float = 0.0  # how far a check that contradicts it lies from it


@dataclass(frozen=True, slots=True, kw_only=True)
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
    judged_over_temperature : bool | None
        What was asked for when it was judged again; None: what it was begun with.

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
    judged_over_temperature: bool | None = None

    @property
    def over_temperature(self) -> bool:
        """Whether its limit is tolerance and stability together, as was asked for."""
        if self.judged_over_temperature is not None:
            return self.judged_over_temperature
        return bool(self.snapshot.get("over_temperature"))

    @property
    def begun_as(self) -> RecordedPart:
        """The part that the run was begun with; `part` is what it is judged by now."""
        return recorded_part(self.snapshot.get("part"))

    @property
    def recorded_bench(self) -> RecordedBench:
        """The bench as it was when the run began; empty where it was not recorded."""
        return recorded_bench(self.snapshot.get("bench"))

    @property
    def hook_up(self) -> PositionSpec | None:
        """Which instruments looked at the device; None where it was not recorded."""
        return self.recorded_bench.position(self.position)

    @property
    def counter_spec(self) -> InstrumentSpec | None:
        """What the bench stated of the instrument that measured the frequency."""
        bench = self.recorded_bench
        hook_up = bench.position(self.position)
        return None if hook_up is None else bench.instruments.get(hook_up.frequency)

    @property
    def counter_identity(self) -> Identity | None:
        """Who measured the frequency, as it identified itself."""
        hook_up = self.hook_up
        return None if hook_up is None else self.identities.get(hook_up.frequency)

    @property
    def checks(self) -> str | None:
        """The instrument whose time base the run checks; None where it checks none."""
        named = self.snapshot.get("checks")
        return named if isinstance(named, str) else None

    @property
    def load_pf(self) -> float | None:
        """The load capacitance stated for the run, in pF."""
        return _number(self.snapshot.get("load_pf"))

    @property
    def supply_v(self) -> float | None:
        """The supply voltage stated for the run, in V."""
        return _number(self.snapshot.get("supply_v"))

    @property
    def software(self) -> str | None:
        """The version that made the run."""
        version = self.snapshot.get("software")
        return version if isinstance(version, str) else None

    @property
    def min_readings(self) -> int | None:
        """How many readings were asked for before a verdict counts as clear."""
        return _whole(self.snapshot.get("min_readings"))

    @property
    def max_readings(self) -> int | None:
        """After how many readings the run was to end."""
        return _whole(self.snapshot.get("max_readings"))

    @property
    def max_s(self) -> float | None:
        """After how long the run was to end, in s."""
        return _number(self.snapshot.get("max_s"))

    @property
    def until_clear(self) -> bool:
        """Whether the run was to last until its verdict is clear."""
        return bool(self.snapshot.get("until_clear"))

    @property
    def exported(self) -> Mapping[str, object]:
        """What an export says of the run that this one is a copy of; else nothing."""
        origin = self.snapshot.get("origin")
        said = origin.get("run") if isinstance(origin, Mapping) else None
        return said if isinstance(said, Mapping) else {}

    @property
    def made_for(self) -> Purpose:
        """What its readings were made for; of a copy, what its file says of that."""
        said = self.exported.get("purpose")
        known = (one for one in Purpose if one == said)
        return next(known, self.purpose)

    @property
    def made_utc_ns(self) -> tuple[int, int | None]:
        """When it was begun and ended; of a copy, when the run was that it copies."""
        began, ended = (self.exported.get(f"{n}_utc_ns") for n in ("started", "ended"))
        if isinstance(began, int) and isinstance(ended, int):
            return began, ended
        return self.started_utc_ns, self.ended_utc_ns

    @property
    def open(self) -> bool:
        """Whether the run has not ended."""
        return self.ended_utc_ns is None


def _number(value: object) -> float | None:
    return value if isinstance(value, int | float) else None


def _whole(value: object) -> int | None:
    return value if isinstance(value, int) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceCheck:
    """Time-base offset of one instrument, by its serial number.

    `void` is why it counts for nothing, if it does: its run was voided.
    """

    instrument: Identity
    offset_ppm: float
    u_ppm: float
    method: str
    at_utc_ns: int
    valid_until_utc_ns: int
    run_id: int | None = None
    void: str | None = None
