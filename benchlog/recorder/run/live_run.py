"""One run in the making: what becomes of samples and events, and when it is over."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from benchlog.clock import Clock
from benchlog.model import (
    EDGE,
    Condition,
    Edge,
    Event,
    EventKind,
    Flag,
    InstrumentSpec,
    PositionSpec,
    Purpose,
    Reading,
    RunPlan,
    Sample,
)
from benchlog.recorder.run.acceptance import (
    GatePace,
    Plausibility,
    ReadingSpacing,
    Rejected,
    RejectedSamples,
    Said,
    accept,
)
from benchlog.recorder.run.ambient import Ambient, AmbientNews
from benchlog.recorder.run.conditions import RejectedConditions, condition_of
from benchlog.recorder.run.device_settling import MOST_READINGS, Settling
from benchlog.recorder.run.judge_batches import Record, columns_of, pulses_of
from benchlog.recorder.run.plan_checks import used_at
from benchlog.recorder.run.reading_window import ReadingWindow
from benchlog.units import NS_PER_S, format_duration
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.early_stop import EarlyStop, StopRule
from benchlog.verdict.run.judges import AnyJudge

_EVER: Final = 2**63 - 1  # definition: the largest time in ns
_MOST_READINGS: Final = 300  # our rule: tests/verdict/EARLYSTOP.md is for so many
# real seconds that a probe may take until it gives a value; our rule
_AWAKE_S: Final = 10.0
# real seconds beyond the usual before it is worth an event; our rule
_HELD_UP_S: Final = 0.5


@dataclass(slots=True, kw_only=True)
class LiveRun:
    """The state of a run that is not yet over."""

    plan: RunPlan
    position: PositionSpec
    spec: InstrumentSpec
    run_id: int
    segment_id: int
    judge: AnyJudge
    clock: Clock
    simulated: bool = False
    ambient: Ambient | None = None
    accepted: int = 0
    previous_mono_ns: int | None = None
    previous_hz: float | None = None
    began_mono_ns: int = 0
    paused: bool = False
    follows: bool = False
    went_on_ns: int = 0
    fed: int = 0
    recent: ReadingWindow = field(init=False)
    stop: EarlyStop = field(init=False)
    settling: Settling | None = field(init=False)
    trial_until_ns: int | None = field(init=False)
    _gap: bool = False
    _refusals: RejectedSamples = field(default_factory=RejectedSamples)
    _probes: RejectedConditions = field(default_factory=RejectedConditions)
    _plausible: Plausibility = field(init=False)
    _news: AmbientNews = field(init=False)
    _spacing: ReadingSpacing = field(default_factory=ReadingSpacing)
    _told_repeats: bool = False
    _told_load: bool = False
    _rushed: bool = False
    _stale_hz: float | None = None
    _stale_n: int = 0
    _pace: GatePace = field(init=False)

    def __post_init__(self) -> None:
        self.recent = ReadingWindow(self.plan.part.nominal_hz, self.position.divider)
        fewest = self.plan.min_readings
        most = max(fewest, self.plan.max_readings or _MOST_READINGS)
        self.stop = EarlyStop(StopRule(fewest, most))
        self._plausible = Plausibility(self.plan, self.position)
        range_c = self.plan.part.limits.range_c
        self._news = AmbientNews(self.position.ambient or "", range_c)
        self._pace = GatePace(max(self.clock.real_s(1.0), 1e-9))
        self.settling = None
        self.trial_until_ns = _EVER if self.plan.purpose is Purpose.TRIM else None
        if self.plan.purpose is Purpose.INSPECT:
            self.settling = Settling(self.plan.part, self.position.divider, fewest)

    # --- what happens to it ----------------------------------------------------------

    def pause(self) -> None:
        """Stop measuring until it goes on."""
        self.paused = True

    def go_on(self) -> None:
        """Measure again after a pause; the next reading follows on nothing."""
        self.paused, self.went_on_ns = False, self.clock.mono_ns()
        self.note_gap()

    def end_trial_at(self, mono_ns: int) -> None:
        """Let gates that begin from then on count: the code under test is set."""
        self.trial_until_ns = mono_ns

    def attach_probe(self, ambient: Ambient) -> None:
        """Begin to put a probe's ambient beside the readings."""
        self.ambient = ambient

    def set_probe_period(self, period_s: float) -> None:
        """Let a probe's value stand for three of its periods."""
        if self.ambient is not None:
            self.ambient = replace(self.ambient, good_for_s=3 * period_s)

    def note_ambient(self, sample: Sample) -> None:
        """Put a newer value of ambient beside the readings to come."""
        if self.ambient is not None:
            at_ns, value_c = sample.mono_ns, sample.value
            self.ambient = replace(self.ambient, value_c=value_c, mono_ns=at_ns)

    def count_pulse(self, mono_ns: int) -> None:
        """Count a pulse of the device that was accepted."""
        self.accepted += 1
        self.previous_mono_ns = mono_ns

    def learn_resolution(self, step_hz: float) -> None:
        """Let the judge know the last digit of the counter."""
        self.judge.resolution_hz = step_hz

    # --- what comes in -------------------------------------------------------------

    def accept_sample(self, sample: Sample, stalled_s: float) -> list[Reading | Event]:
        """AnyJudge one frequency sample; return what is to be stored, in order."""
        records: list[Reading | Event] = []
        if stalled_s:
            self.note_gap()
            records.append(self._stalled(stalled_s))
        records += self._held_up(sample)
        ambient_c = self.ambient.at(sample.mono_ns) if self.ambient else None
        records += self._of_ambient(sample.mono_ns, ambient_c)
        flags = self._flags(ambient_c)
        settling = self.settling is not None and not self.settling.over
        trial = self._on_trial(sample)
        mark, said = self._plausible.of(sample.value, trial=trial, settling=settling)
        flags |= mark
        if said:
            at, raw = self.spec.name, sample.raw
            records += [self.event(EventKind.SUSPECT, said, instrument=at, raw=raw)]
        result = accept(sample, self.previous_mono_ns, flags, ambient_c)
        if self.follows and sample.mono_ns - sample.gate_s * NS_PER_S < (
            self.began_mono_ns
        ):
            result = Rejected("its gate began before this run")
        if isinstance(result, Reading) and (said := self._pace.too_soon(sample)):
            self.note_gap()
            self._rushed = True
            result = Rejected(said, alike="came faster than their gate allows")
        if isinstance(result, Rejected):
            refused = self._refusals.of(sample, result)
            name = self.spec.name
            return [*records, *(self._refused(name, said) for said in refused)]
        if self.previous_mono_ns is not None and not self._gap:
            self._spacing.learn(result.mono_ns - self.previous_mono_ns)
        self.previous_mono_ns, self._gap = result.mono_ns, False
        if self._rushed:
            result = replace(result, flags=result.flags | Flag.RUSHED)
            self._rushed = False
        self.accepted += 1
        self.previous_hz = result.frequency_hz
        return [
            *records,
            *self.last_refusals(ended=False),
            *self._mark_settling(result),
        ]

    def repeats_news(self, assessment: Assessment) -> str:
        """Return once why the counter is not believed, where it is not."""
        if self._told_repeats or not assessment.doubt_of_counter:
            return ""
        self._told_repeats = True
        return assessment.doubt

    def load_news(self, assessment: Assessment) -> str:
        """Return once that the share of late stamps changes, where it does."""
        timing = assessment.timing
        if self._told_load or timing is None or not timing.load_change:
            return ""
        self._told_load = True
        return timing.load_change

    def last_refusals(self, *, ended: bool = True) -> list[Event]:
        """Return what is still to be said of refused values, once they are over."""
        said = [(self.spec.name, one) for one in self._refusals.over(ended=ended)]
        return [self._refused(*one) for one in said + self._probes.over(ended=ended)]

    def _mark_settling(self, reading: Reading) -> list[Reading | Event]:
        """Mark a reading that comes before the device has settled, or of a trial."""
        if self._on_trial(reading):
            return [replace(reading, flags=reading.flags | Flag.SETTLING)]
        if self.settling is None or self.settling.over:
            return [reading]
        if self._stale_hz is not None:
            if reading.frequency_hz == self._stale_hz:
                return self._not_fresh(reading)
            self._stale_hz = None
        said = self.settling.observe(reading)
        marked = replace(reading, flags=reading.flags | Flag.SETTLING)
        return [marked, *([self.event(*said)] if said else [])]

    def _on_trial(self, gated: Sample | Reading) -> bool:
        """Whether a gate began before the code under test was set for good."""
        if self.trial_until_ns is None:
            return False
        return gated.mono_ns - gated.gate_s * NS_PER_S < self.trial_until_ns

    def _not_fresh(self, reading: Reading) -> list[Reading | Event]:
        """Mark a reading that still shows the device before; that ends one day."""
        marked = replace(reading, flags=reading.flags | Flag.SETTLING)
        self._stale_n += 1
        if self._stale_n < MOST_READINGS:
            return [marked]
        self._stale_hz = None
        said = (
            f"the counter showed the value of the device before {self._stale_n} times "
            "after the exchange; measured all the same"
        )
        return [marked, self.event(EventKind.UNSETTLED, said)]

    def wait_for_fresh(self, stale_hz: float | None) -> None:
        """Let nothing count while the counter shows the value of the device before."""
        self._stale_hz = stale_hz if self.settling is not None else None

    def note_gap(self) -> None:
        """Remember that the next reading does not follow on the one before."""
        self._gap = self.accepted > 0

    def event(
        self, kind: str, text: str, *, instrument: str = "", raw: bytes = b""
    ) -> Event:
        """Make an event of now."""
        return Event(
            self.clock.utc_ns(),
            self.clock.mono_ns(),
            kind,
            text.encode("utf-8", errors="backslashreplace").decode(),
            instrument,
            raw or None,
        )

    def condition(
        self, name: str, sample: Sample, quantity: str
    ) -> list[Condition | Event]:
        """Make a condition of a sample of another quantity, events of what is none."""
        flags = Flag.SIMULATED if self.simulated else Flag.NONE
        if self.ambient and self.ambient.typed and quantity == "ambient":
            flags |= Flag.AMBIENT_TYPED
        refused = [self._refused(*one) for one in self._probes.of(name, sample)]
        condition = condition_of(sample, quantity, name, flags)
        return [*refused, *([condition] if condition else [])]

    # --- when it is over -------------------------------------------------------------

    @property
    def instruments(self) -> tuple[str, ...]:
        """The names of the instruments that this run uses."""
        return used_at(self.plan.bench, self.position)

    @property
    def full(self) -> bool:
        """Whether as many readings were accepted as were asked for."""
        limit = self.plan.max_readings
        return limit is not None and self.counted >= limit

    @property
    def counted(self) -> int:
        """Readings that are in the figures: not those before it had settled."""
        left_out = self._stale_n + (self.settling.n if self.settling else 0)
        return self.accepted - left_out

    @property
    def due(self) -> bool:
        """Whether there are readings enough for the next look at the verdict."""
        return self.plan.until_clear and self.counted >= self.stop.next_look

    @property
    def wanted(self) -> int:
        """How many readings more are sure to be needed before it can be over."""
        before = self.settling.wanted if self.settling else 0
        return before + max(0, self.stop.next_look - self.counted)

    @property
    def age_s(self) -> float:
        """Bench seconds since the first gate was armed."""
        return (self.clock.mono_ns() - self.began_mono_ns) / NS_PER_S

    def feed(self, records: Sequence[Record]) -> list[Reading] | list[Edge]:
        """Hand what was committed to the judge; return readings or device's pulses."""
        if self.spec.quantity == EDGE:
            self.judge.feed(pulses_of(records, self.segment_id))
            edges = [record for record in records if isinstance(record, Edge)]
            return [e for e in edges if e.instrument == self.position.frequency]
        readings = [record for record in records if isinstance(record, Reading)]
        if readings:
            self.fed += len(readings)
            self.judge.feed(columns_of(readings, self.segment_id))
        return readings

    # --- details ---------------------------------------------------------------------

    def _of_ambient(self, mono_ns: int, ambient_c: float | None) -> list[Event]:
        """Say what is new of ambient; where a run has just gone on, its probe wakes."""
        awake_s = _AWAKE_S / max(self.clock.real_s(1.0), 1e-9)
        wakes = (mono_ns - self.went_on_ns) / NS_PER_S < awake_s
        if ambient_c is None and wakes:
            return []
        probe = self.position.ambient or ""
        said = self._news.of(self.ambient, ambient_c)
        return [self.event(kind, text, instrument=probe) for kind, text in said]

    def _held_up(self, sample: Sample) -> list[Event]:
        """Say when a reading comes so late that others must be missing before it."""
        if self.previous_mono_ns is None or self._gap:
            return []
        slack_s = _HELD_UP_S / max(self.clock.real_s(1.0), 1e-9)
        late_s = (sample.mono_ns - self.previous_mono_ns) / NS_PER_S
        if not self._spacing.too_late(late_s, slack_s):
            return []
        self.note_gap()
        without = format_duration(max(0.0, late_s - sample.gate_s))
        text = f"{without} without a reading: computer or instrument was held up"
        return [self.event(EventKind.GAP, text, instrument=self.spec.name)]

    def _flags(self, ambient_c: float | None) -> Flag:
        flags = Flag.SIMULATED if self.simulated else Flag.NONE
        if self._gap:
            flags |= Flag.GAP_BEFORE
        if self.ambient and ambient_c is None:
            flags |= Flag.AMBIENT_STALE
        if self.ambient and ambient_c is not None and self.ambient.typed:
            flags |= Flag.AMBIENT_TYPED
        return flags

    def _stalled(self, stalled_s: float) -> Event:
        text = f"the keeper could not take values for {stalled_s:.2f} s"
        return self.event(EventKind.GAP, text, instrument=self.spec.name)

    def _refused(self, name: str, said: Said) -> Event:
        text, raw = said
        return self.event(EventKind.REJECTED, text, instrument=name, raw=raw)
