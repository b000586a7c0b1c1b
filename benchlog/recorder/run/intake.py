"""What instruments send becomes records of the runs that use them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from benchlog.analysis.steps import FrequencyStep
from benchlog.clock import Clock
from benchlog.errors import StoreError
from benchlog.model import (
    EDGE,
    Edge,
    Event,
    EventKind,
    Flag,
    Reading,
    Sample,
    SampleBlock,
)
from benchlog.recorder.instruments.instrument_handle import InstrumentProcess
from benchlog.recorder.instruments.instrument_messages import Failed, Opened
from benchlog.recorder.run.acceptance import why_beyond
from benchlog.recorder.run.ambient import Ambient
from benchlog.recorder.run.blocks.block_run import BlockRun
from benchlog.recorder.run.commit_queue import OpenRuns
from benchlog.recorder.run.live_run import LiveRun
from benchlog.recorder.run.recurring import Trouble
from benchlog.store.writer import Writer
from benchlog.units import (
    NS_PER_S,
    format_duration,
    format_ppm,
    iso_utc,
    printable,
)


def is_pulse(sample: Sample) -> bool:
    """Whether a sample is a pulse and not a value of some quantity."""
    return sample.unit == EDGE


@dataclass(slots=True)
class PulseGate:
    """Takes the pulses of all instruments of one keeper, for one run after the other.

    A pulse that came before its run began, or while it was paused, belongs to no run.
    """

    _previous: dict[tuple[int, str], int] = field(default_factory=dict)
    _unfixed: set[tuple[int, str]] = field(default_factory=set)
    _good: dict[tuple[int, str], int] = field(default_factory=dict)

    def accept_pulse(
        self, run: LiveRun, name: str, sample: Sample, stalled_s: float
    ) -> list[Edge | Event]:
        """Return what is to be stored of one pulse, in order."""
        if sample.mono_ns < max(run.began_mono_ns, run.went_on_ns):
            return []
        key = (run.run_id, name)
        before = self._previous.get(key)
        if before is not None and sample.mono_ns <= before:
            text = f"pulse refused, {before - sample.mono_ns} ns before the one before"
            return [_said(run, EventKind.REJECTED, text, name, sample.raw)]
        self._previous[key] = sample.mono_ns
        records: list[Edge | Event] = []
        if stalled_s:
            text = f"the keeper could not take pulses for {stalled_s:.2f} s"
            records.append(_said(run, EventKind.GAP, text, name))
        records += self._fix_events(run, name, sample)
        flags = sample.flags | (Flag.SIMULATED if run.simulated else Flag.NONE)
        if not sample.flags & Flag.NO_FIX:
            self._good[key] = sample.mono_ns
        number = int(sample.value)
        edge = Edge(name, sample.utc_ns, sample.mono_ns, number, flags)
        if name == run.position.frequency:
            run.count_pulse(sample.mono_ns)
        return [*records, edge]

    def without_s(self, run: LiveRun, name: str, now_ns: int) -> float:
        """Return for how long no pulse of an instrument has counted in a run."""
        began_ns = max(run.began_mono_ns, run.went_on_ns)
        since_ns = max(began_ns, self._good.get((run.run_id, name), began_ns))
        return max(0, now_ns - since_ns) / NS_PER_S

    def _fix_events(self, run: LiveRun, name: str, sample: Sample) -> list[Event]:
        """Say when a receiver loses its fix and has it again."""
        key, unfixed = (run.run_id, name), bool(sample.flags & Flag.NO_FIX)
        if unfixed == (key in self._unfixed):
            return []
        if unfixed:
            self._unfixed.add(key)
            text = f"{name!r} has no fix: its pulses do not count until it has"
            return [_said(run, EventKind.REFERENCE_LOST, text, name)]
        self._unfixed.discard(key)
        return [_said(run, EventKind.BACK, f"{name!r} has a fix again", name)]


def _said(
    run: LiveRun, kind: EventKind, text: str, name: str, raw: bytes = b""
) -> Event:
    return run.event(kind, text, instrument=name, raw=raw)


# --- what instruments say becomes records of the runs that use them


_MOST_SAID: Final = 16  # our rule: more than anybody reads; bounds memory and rows


@dataclass(slots=True)
class Outage:
    """An instrument that does not deliver: since when, and what was said of it.

    Of one that fails in new ways for ever sixteen are told; the rest is counted.
    """

    since_mono_ns: int
    attempts: int = 0
    said: set[tuple[str, bytes]] = field(default_factory=set)


class Intake:
    """Takes values and failures of instruments, for every run that uses them."""

    def __init__(self, runs: OpenRuns, writer: Writer, clock: Clock) -> None:
        self.runs, self.writer, self.clock = runs, writer, clock
        self._outages: dict[str, Outage] = {}
        self._gate = PulseGate()
        self.turns: dict[str, int] = {}
        """Of a counter behind a scanner: the run whose turn it is, 0 for none."""

    def using(self, name: str) -> list[LiveRun]:
        """Return the runs that an instrument's values are for: of a scanned one, one.

        That it fails is told to all of them; a gap has the one whose turn it is.
        """
        runs = self.runs.using(name)
        if name not in self.turns:
            return list(runs)
        return [run for run in runs if run.run_id == self.turns[name]]

    def value(self, name: str, sample: Sample, stalled_s: float) -> None:
        """Take one value."""
        self._back(name)
        for run in self.using(name):
            if is_pulse(sample):
                self._pulse(run, name, sample, stalled_s)
            elif name != run.position.frequency:
                self._other(run, name, sample)
            elif not run.full:
                self._frequency(run, sample, stalled_s)

    def block(self, name: str, block: SampleBlock, stalled_s: float) -> None:
        """Take many readings of a counter at once."""
        self._back(name)
        for run in self.using(name):
            if name != run.position.frequency or run.full:
                continue
            if not isinstance(run, BlockRun):  # all runs that we begin are
                continue
            for record in run.accept_block(block, stalled_s):
                if isinstance(record, Event):
                    self.runs.add_event(run, record)
                    continue
                self.runs.queue.add((run.run_id, run.segment_id, record))
                self._stepped(
                    run, run.recent.add_block(record, run.judge.resolution_hz)
                )
            if run.judge.resolution_hz is None and block.step:
                self._resolution(run, block.step)

    def failed(self, name: str, failed: Failed) -> None:
        """Note a failed attempt; the same again in one outage is only counted."""
        outage = self._outages.setdefault(name, Outage(self.clock.mono_ns()))
        outage.attempts += 1
        news = (failed.kind, failed.raw) not in outage.said
        first = not outage.said
        news &= len(outage.said) < _MOST_SAID
        if news:
            outage.said.add((failed.kind, failed.raw))
        in_turn = self.using(name)
        for run in self.runs.using(name):
            if run in in_turn:
                self._breaks(run, name)
            if news:
                self.runs.note(run, failed.kind, failed.message, name, failed.raw)
            if first:
                self._reference_lost(run, name)

    def process_ended(self, name: str, kind: EventKind, how: str) -> None:
        """Note that an instrument's process ended; it is started again."""
        outage = self._outages.setdefault(name, Outage(self.clock.mono_ns()))
        news = (kind, b"") not in outage.said
        first = not outage.said
        outage.said.add((kind, b""))
        outage.attempts += not news
        in_turn = self.using(name)
        for run in self.runs.using(name):
            if run in in_turn:
                self._breaks(run, name)
            if news:
                self.runs.note(run, kind, f"the process of {name!r} {how}", name)
            if first:
                self._reference_lost(run, name)

    def silence(self, run: LiveRun) -> str:
        """Return in words that a run's counter gives nothing now; empty if it does."""
        outage = self._outages.get(run.position.frequency)
        if outage is None and isinstance(run, BlockRun):
            return run.behind()
        if outage is None or run.paused:
            return ""
        away_s = (self.clock.mono_ns() - outage.since_mono_ns) / NS_PER_S
        return f"no reading in the last {format_duration(away_s)}"

    def opened(self, name: str, opened: Opened) -> None:
        """Note how long a probe's values stand, for runs that had none of it yet."""
        for run in self.runs.using(name):
            if name == run.position.ambient:
                run.set_probe_period(opened.period_s)

    def lost_s(self, name: str) -> float:
        """Return for how long an instrument has not delivered, 0 when it does."""
        outage = self._outages.get(name)
        if outage is None:
            return 0.0
        return (self.clock.mono_ns() - outage.since_mono_ns) / NS_PER_S

    def said(self, name: str, text: str) -> None:
        """Note what the instrument's own message queue held; a flood is counted.

        Codes and quoted words tell one message from another.
        """
        kind, raw = EventKind.INSTRUMENT_MESSAGE, text.encode()
        for run in self.using(name):
            self.runs.recurs(run, Trouble(kind, printable(text), name, raw, whole=True))

    def first_values(
        self, run: LiveRun, instruments: Mapping[str, InstrumentProcess]
    ) -> None:
        """Give a new run what its probes have said already."""
        for name, instrument in instruments.items():
            sample, opened = instrument.latest, instrument.opened
            if name == run.position.frequency or sample is None or opened is None:
                continue
            if is_pulse(sample) or why_beyond(sample.value):
                continue  # it came before the run, or is refused when it comes again
            if name == run.position.ambient:
                typed = opened.identity.settings.get("typed") == "true"
                good_s = 3 * opened.period_s
                probe = Ambient(sample.value, sample.mono_ns, good_s, typed)
                run.attach_probe(probe)
            self._other(run, name, sample)

    def _pulse(self, run: LiveRun, name: str, sample: Sample, stalled_s: float) -> None:
        if name == run.position.frequency and run.full:
            return
        for record in self._gate.accept_pulse(run, name, sample, stalled_s):
            if isinstance(record, Event):
                self.runs.add_event(run, record)
            else:
                self.runs.queue.add((run.run_id, run.segment_id, record))

    def _frequency(self, run: LiveRun, sample: Sample, stalled_s: float) -> None:
        for record in run.accept_sample(sample, stalled_s):
            if isinstance(record, Event):
                self.runs.add_event(run, record)
            else:
                self.runs.queue.add((run.run_id, run.segment_id, record))
                self._recent(run, record)
        if run.judge.resolution_hz is None and sample.step:
            self._resolution(run, sample.step)

    def _recent(self, run: LiveRun, reading: Reading) -> None:
        """Let the newest figures know; a step is told where it is certain."""
        self._stepped(run, run.recent.add(reading, run.judge.resolution_hz))

    def _stepped(self, run: LiveRun, step: FrequencyStep | None) -> None:
        if step is None:
            return
        when_ns = run.clock.utc_ns() - run.clock.mono_ns() + int(step.after_s * 1e9)
        between_s = step.before_s - step.after_s
        self.runs.note(
            run,
            EventKind.STEP,
            f"stepped by {format_ppm(step.size, abs(step.size) / 20)} ppm after "
            f"{iso_utc(when_ns)}, within {format_duration(between_s)}: "
            f"{run.recent.step_cause.cause(run.recent.since_s(step))}",
        )

    def _resolution(self, run: LiveRun, step_hz: float) -> None:
        """Take the last digit of the first reply as the counter's resolution."""
        run.learn_resolution(step_hz)
        try:
            self.writer.set_resolution(run.run_id, step_hz)
        except StoreError as error:
            text = f"the counter's resolution was not stored: {error}"
            self.runs.note(run, EventKind.STORE_WAIT, text)

    def _other(self, run: LiveRun, name: str, sample: Sample) -> None:
        is_ambient = name == run.position.ambient
        quantity = "ambient" if is_ambient else "supply"
        for record in run.condition(name, sample, quantity):
            if isinstance(record, Event):
                self.runs.add_event(run, record)
            else:
                self.runs.queue.add((run.run_id, run.segment_id, record))
        if why_beyond(sample.value):
            return
        if not is_ambient:
            run.recent.step_cause.supply(sample.mono_ns / NS_PER_S, sample.value)
        if is_ambient:
            run.note_ambient(sample)

    def _reference_lost(self, run: LiveRun, name: str) -> None:
        """Say it where a run's time is gone, once in an outage."""
        if name == run.position.reference:
            text = f"no pulses of the reference {name!r}: nothing to compare with"
            self.runs.note(run, EventKind.REFERENCE_LOST, text, name)

    def reference_s(self, run: LiveRun) -> float | None:
        """Return for how long no pulse of a run's reference counted; None: no pulses.

        A run that is paused or has no reference has no such time.
        """
        name = run.position.reference
        spec = run.plan.bench.instruments.get(name) if name else None
        if name is None or spec is None or spec.quantity != EDGE or run.paused:
            return None
        return self._gate.without_s(run, name, self.clock.mono_ns())

    def _breaks(self, run: LiveRun, name: str) -> None:
        if name == run.position.frequency:
            run.note_gap()

    def _back(self, name: str) -> None:
        outage = self._outages.pop(name, None)
        if outage is None:
            return
        away_s = (self.clock.mono_ns() - outage.since_mono_ns) / NS_PER_S
        text = f"{name!r} is back after {format_duration(away_s)}"
        if outage.attempts > 1:
            text += f" and {outage.attempts} failed attempts"
        for run in self.runs.using(name):
            self.runs.note(run, EventKind.BACK, text, name)
