"""Runs and reference checks."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from benchlog.model.bench import Bench, Identity, InstrumentSpec, PositionSpec
from benchlog.model.counting import BROKEN_OFF, RunState, why_not_counted
from benchlog.model.kinds import Purpose
from benchlog.model.learnt import LearntStability
from benchlog.model.promises import Part
from benchlog.model.rack import QualificationPlan
from benchlog.model.recorded import (
    RecordedBench,
    RecordedPart,
    recorded_bench,
    recorded_part,
)


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
    alone: bool = False  # whether no soak is to be used
    learnt: LearntStability | None = None  # the soak that it may rest on
    qualification: QualificationPlan | None = None


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
        Why a person declared it void, if so.
    set_aside, damaged : bool
        Whether such an event is in the run.
    held : bool
        Whether a question about its device waits for an answer.
    marked : bool
        Whether a person marked a moment of it.
    newer : int | None
        The run of the same device in its lot that counts in its place.
    newer_marked : bool
        Whether that one is marked, too.
    part_id : str
        The part that its device is filed under, corrected where it was mistyped.
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
    judged_readings: int | None = None  # how many the kept figures are of
    verdict: str | None = None
    offset_ppm: float | None = None
    u_ppm: float | None = None
    typed_device: str | None = None
    void: str | None = None
    judged_again: bool = False
    judged_over_temperature: bool | None = None
    set_aside: bool = False
    damaged: bool = False
    held: bool = False
    marked: bool = False
    newer: int | None = None
    newer_marked: bool = False
    part_id: str = ""
    learnt: LearntStability | None = None  # the soak that its verdict may rest on
    uid: str = ""  # its UUID, the same in every database that holds it

    @property
    def qualification_told(self) -> object:
        """What its snapshot tells of the sequence it was part of; None for others."""
        return self.snapshot.get("qualification")

    @property
    def told_readings(self) -> int:
        """How many readings its figures are of; all there are while it goes on."""
        judged = None if self.open else self.judged_readings
        return self.readings if judged is None else judged

    @property
    def why_not_counted(self) -> str:
        """Why the run does not count; empty where it counts."""
        copied = self.exported.get("ended_how")
        how = copied if isinstance(copied, str) else self.ended_how
        return why_not_counted(
            RunState(
                void=self.void,
                set_aside=self.set_aside,
                damaged=self.damaged,
                ended_how=None if self.open else how,
                purpose=self.made_for,
                planned=self.planned,
                judged=self.verdict is not None,
                held=self.held,
                marked=self.marked,
                newer=self.newer,
                newer_marked=self.newer_marked,
            )
        )

    @property
    def counts(self) -> bool:
        """Whether the run counts: for its device, its lot, and all that compares."""
        return not self.why_not_counted

    @property
    def planned(self) -> bool:
        """Whether it, or the run it is a copy of, was begun with an end."""
        plan = self._planned
        ends = (plan.get("max_readings"), plan.get("max_s"))
        return bool(plan.get("until_clear")) or any(end is not None for end in ends)

    @property
    def over_temperature(self) -> bool:
        """Whether its limit is tolerance and stability together, as was asked for."""
        if self.judged_over_temperature is not None:
            return self.judged_over_temperature
        return self.begun_over_temperature

    @property
    def begun_over_temperature(self) -> bool:
        """Whether that was asked for when it was begun."""
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
    def bench_file(self) -> str:
        """The bench file that it was begun with; empty where that was not recorded."""
        bench = self.snapshot.get("bench")
        file = bench.get("file") if isinstance(bench, Mapping) else None
        return file if isinstance(file, str) else ""

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
    def thermometer_u_c(self) -> float | None:
        """Standard uncertainty that the bench states of its thermometer, C."""
        named = self.hook_up.ambient if self.hook_up is not None else None
        spec = self.recorded_bench.instruments.get(named or "")
        return None if spec is None else spec.u_c

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

    @property
    def ended_until_clear(self) -> bool:
        """Whether it is over and was to end at the first look that was clear."""
        return not self.open and bool(self._planned.get("until_clear"))

    @property
    def _planned(self) -> Mapping[str, object]:
        copied = self.exported.get("snapshot")
        return copied if isinstance(copied, Mapping) else self.snapshot

    def cut_short(self, readings: int, *, fewest: int) -> str:
        """Say why it ended before its plan was over; empty where it did not.

        `readings` is how many it has, `fewest` the usual least before a verdict may be
        clear. A run begun without an end cannot be cut short; a copy is told from what
        its file keeps of the original.
        """
        how = self.exported.get("ended_how", self.ended_how)
        if self.open or self.made_for is Purpose.REFCHECK or not self.planned:
            return ""
        if how in BROKEN_OFF:
            return f"{how} before its plan was over"
        look = _whole(self._planned.get("min_readings")) or fewest
        if how == "stopped" and self.ended_until_clear and readings < look:
            return f"stopped before the first planned look, at {look} readings"
        return ""


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
