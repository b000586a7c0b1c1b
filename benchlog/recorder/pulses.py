"""Pulses of a run on their way to the store: what is kept, what is said of them."""

from dataclasses import dataclass, field

from benchlog.model import (
    EDGE,
    Edge,
    Event,
    EventKind,
    Flag,
    Sample,
)
from benchlog.recorder.liverun import LiveRun
from benchlog.units import NS_PER_S


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

    def take(
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
            run.accepted += 1
            run.previous_mono_ns = sample.mono_ns
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
