"""One run in the making: what becomes of samples and events, and when it is over."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from benchlog.clock import Clock, HostClock
from benchlog.model import (
    EDGE,
    Condition,
    Edge,
    Event,
    EventKind,
    Flag,
    InstrumentSpec,
    PositionSpec,
    Reading,
    RunPlan,
    Sample,
)
from benchlog.recorder.run.acceptance import Plausibility, Rejected, accept
from benchlog.recorder.run.ambient import Ambient, AmbientNews
from benchlog.recorder.run.conditions import RejectedConditions, condition_of
from benchlog.recorder.run.device_settling import FirstReadings
from benchlog.recorder.run.judge_batches import (
    JudgeNews,
    Record,
    columns_of,
    pulses_of,
)
from benchlog.recorder.run.plan_checks import used_at
from benchlog.recorder.run.reading_pace import GatePace, ReadingSpacing
from benchlog.recorder.run.reading_window import ReadingWindow
from benchlog.recorder.run.recurring import RecurringTrouble, Trouble
from benchlog.recorder.run.refused_values import RejectedSamples, Said
from benchlog.recorder.run.wake_mark import WakeMark
from benchlog.units import NS_PER_S
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.early_stop import EarlyStop, StopRule
from benchlog.verdict.run.judges import AnyJudge

_MOST_READINGS: Final = 300  # our rule: tests/verdict/EARLYSTOP.md is for so many


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
    keeper_back_ns: int = 0
    aside: bool = False  # readings are kept and left out: not at reference conditions
    fed: int = 0
    recent: ReadingWindow = field(init=False)
    stop: EarlyStop = field(init=False)
    missed_turns: int = 0  # of its own turns through a scanner, in a row
    arrived_ns: int = 0  # when readings came that may have been taken long before
    others_ns: int = 0  # when another one behind the scanner was served last
    wake: WakeMark = field(default_factory=WakeMark)
    _gap: bool = False
    _turn: bool = False
    _connected_ns: int = 0
    _refusals: RejectedSamples = field(default_factory=RejectedSamples)
    _suspicions: RecurringTrouble = field(default_factory=RecurringTrouble)
    _probes: RejectedConditions = field(default_factory=RejectedConditions)
    _plausible: Plausibility = field(init=False)
    _news: AmbientNews = field(init=False)
    _spacing: ReadingSpacing = field(init=False)
    _first: FirstReadings = field(init=False)
    _judge_news: JudgeNews = field(default_factory=JudgeNews)
    _rushed: bool = False
    _pace: GatePace = field(init=False)

    def __post_init__(self) -> None:
        self.recent = ReadingWindow(self.plan.part.nominal_hz, self.position.divider)
        fewest = self.plan.min_readings
        most = max(fewest, self.plan.max_readings or _MOST_READINGS)
        self.stop = EarlyStop(StopRule(fewest, most))
        self._plausible = Plausibility(self.plan, self.position)
        range_c = self.plan.part.limits.range_c
        real_s = max(self.clock.real_s(1.0), 1e-9)
        self._news = AmbientNews(self.position.ambient or "", range_c, real_s)
        self._spacing, self._pace = ReadingSpacing(real_s), GatePace(real_s)
        self._first = FirstReadings(self.plan, self.position.divider, fewest)

    # --- what happens to it ----------------------------------------------------------

    def pause(self) -> None:
        """Stop measuring until it goes on."""
        self.paused = True

    def go_on(self) -> None:
        """Measure again after a pause; the next reading follows on nothing."""
        self.paused, self.went_on_ns = False, self.clock.mono_ns()
        self.note_gap()

    def begin_turn(self, *, aside: bool) -> None:
        """Take readings of one turn through a scanner, after those of other devices.

        Nothing is missing before the first of them, and it follows on nothing. `aside`:
        they are not taken at reference conditions, so they are kept and left out of the
        run's figures.
        """
        self.aside, self._turn = aside, True
        self._connected_ns = self.clock.mono_ns()

    def miss_turn(self, taken: int) -> None:
        """Note that a turn gave less than it should, `taken` readings: a gap."""
        self.note_gap()
        self.missed_turns = 0 if taken else self.missed_turns + 1

    def turn_gave(self, *, own: bool) -> None:
        """Note that a turn gave readings, its own or that of another one."""
        self.others_ns = self.clock.mono_ns()
        if own:
            self.missed_turns = 0

    def begin_alone(self) -> None:
        """Take readings of a channel that was closed anew, with no other between."""
        self.note_gap()
        self._connected_ns = self.clock.mono_ns()

    def keeper_is_back(self) -> None:
        """Remember that the keeper itself did not run until now: nobody was silent."""
        self.keeper_back_ns = self.clock.mono_ns()

    def end_trial_at(self, mono_ns: int) -> None:
        """Let gates that begin from then on count: the code under test is set."""
        self._first.end_trial_at(mono_ns)

    def attach_probe(self, ambient: Ambient) -> None:
        """Begin to put a probe's ambient beside the readings."""
        self.ambient = ambient

    def set_probe_period(self, period_s: float) -> None:
        """Let a probe's value stand for three of its periods."""
        if self.ambient is not None:
            self.ambient.good_for_s = 3 * period_s

    def note_ambient(self, sample: Sample) -> None:
        """Put a newer value of ambient beside the readings to come."""
        if self.ambient is not None:
            self.ambient.note(sample.value, sample.mono_ns)

    def count_pulse(self, mono_ns: int) -> None:
        """Count a pulse of the device that was accepted."""
        self.accepted += 1
        self.previous_mono_ns = mono_ns

    def learn_resolution(self, step_hz: float) -> None:
        """Let the judge know the last digit of the counter."""
        self.judge.resolution_hz = step_hz

    # --- what comes in -------------------------------------------------------------

    def accept_sample(self, sample: Sample, stalled_s: float) -> list[Reading | Event]:
        """Accept or refuse a frequency sample; return what to store, in order."""
        records: list[Reading | Event] = []
        if stalled_s:
            self.note_gap()
            records.append(self._stalled(stalled_s))
        if self.wake.is_before(sample.mono_ns, sample.utc_ns):
            self.note_gap()
        records += self._held_up(sample)
        ambient_c = self.ambient.at(sample.mono_ns) if self.ambient else None
        records += self._of_ambient(sample.mono_ns, ambient_c)
        flags = self._flags(ambient_c)
        trial = self._first.on_trial(sample, self.previous_mono_ns)
        settling = self._first.settling
        mark, said = self._plausible.of(sample.value, trial=trial, settling=settling)
        flags |= mark
        records += self._suspected(said, sample.raw)
        result = accept(sample, self.previous_mono_ns, flags, ambient_c)
        if self.follows and sample.mono_ns - sample.gate_s * NS_PER_S < (
            self.began_mono_ns
        ):
            result = Rejected("its gate began before this run")
        elif sample.mono_ns - sample.gate_s * NS_PER_S < self._connected_ns:
            result = Rejected("its gate began before its channel was closed")
        if isinstance(result, Reading) and (said := self._pace.too_soon(sample)):
            self.note_gap()
            self._rushed = True
            result = Rejected(said, alike="came faster than their gate allows")
        if isinstance(result, Rejected):
            refused = self._refusals.of(sample, result)
            name = self.spec.name
            return [*records, *(self._refused(name, said) for said in refused)]
        if self.previous_mono_ns is not None and not (self._gap or self._turn):
            self._spacing.learn(result.mono_ns - self.previous_mono_ns)
        self.previous_mono_ns, self._gap, self._turn = result.mono_ns, False, False
        if self._rushed:
            result = replace(result, flags=result.flags | Flag.RUSHED)
            self._rushed = False
        self.accepted += 1
        self.previous_hz = result.frequency_hz
        marked, settled = self._first.mark(result, trial=trial)
        if self.aside:
            marked = replace(marked, flags=marked.flags | Flag.SETTLING)
        return [
            *records,
            *self.last_refusals(ended=False),
            marked,
            *([self.event(*settled)] if settled else []),
        ]

    def last_refusals(self, *, ended: bool = True) -> list[Event]:
        """Return what is still to be said of refused values, once they are over."""
        said = [(self.spec.name, one) for one in self._refusals.over(ended=ended)]
        said += self._probes.over(ended=ended)
        odd = self._suspicions.due(HostClock().mono_ns(), ended=ended)
        return [self._refused(*one) for one in said] + [self._told(one) for one in odd]

    def wait_for_fresh(self, stale_hz: float | None) -> None:
        """Let nothing count while the counter shows the value of the device before."""
        self._first.wait_for_fresh(stale_hz)

    def judge_news(self, assessment: Assessment) -> list[str]:
        """Return what the judge found of the counter or the host, each once."""
        return self._judge_news.of(assessment)

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
        return self.accepted - self._first.left_out

    @property
    def due(self) -> bool:
        """Whether there are readings enough for the next look at the verdict."""
        return self.plan.until_clear and self.counted >= self.stop.next_look

    @property
    def wanted(self) -> int:
        """How many readings more are sure to be needed before it can be over."""
        return self._first.wanted + max(0, self.stop.next_look - self.counted)

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
        """Say what is new of ambient."""
        probe = self.position.ambient or ""
        since_ns = max(self.went_on_ns, self.keeper_back_ns)
        since_s = (mono_ns - since_ns) / NS_PER_S
        said = self._news.of(self.ambient, ambient_c, since_s)
        return [self.event(kind, text, instrument=probe) for kind, text in said]

    def _suspected(self, said: str, raw: bytes) -> list[Event]:
        """Tell what is odd about a reading; what comes again and again is counted."""
        one = Trouble(EventKind.SUSPECT, said, self.spec.name, raw)
        now_ns = HostClock().mono_ns()
        told = self._suspicions.of(one, self.clock.utc_ns(), now_ns) if said else []
        return [self._told(one) for one in told]

    def _told(self, one: Trouble) -> Event:
        return self.event(one.kind, one.text, instrument=one.instrument, raw=one.raw)

    def _held_up(self, sample: Sample) -> list[Event]:
        """Say when a reading comes so late that others must be missing before it."""
        if self.previous_mono_ns is None or self._gap or self._turn:
            return []
        keeper_away = self.previous_mono_ns < self.keeper_back_ns
        text = self._spacing.held_up(
            self.previous_mono_ns, sample, keeper_away=keeper_away
        )
        if not text:
            return []
        self.note_gap()
        return [self.event(EventKind.GAP, text, instrument=self.spec.name)]

    def _flags(self, ambient_c: float | None) -> Flag:
        flags = Flag.SIMULATED if self.simulated else Flag.NONE
        if self._gap:
            flags |= Flag.GAP_BEFORE
        if self._turn:
            flags |= Flag.TURN
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
