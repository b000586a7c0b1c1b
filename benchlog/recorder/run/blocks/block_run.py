"""A live run that takes blocks, too: the same rules as for one sample, all at once."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import Edge, Event, EventKind, Flag, Reading, Sample, SampleBlock
from benchlog.recorder.run.acceptance import Rejected, kept_text
from benchlog.recorder.run.blocks.block_columns import columns_of_block, last_reading
from benchlog.recorder.run.judge_batches import Record
from benchlog.recorder.run.live_run import LiveRun
from benchlog.store.reading_block import ReadingBlock
from benchlog.store.snapshot_types import LARGEST, LEAST_POSITIVE
from benchlog.units import NS_PER_S, format_duration

_JUMP_S: Final = 0.05
"""Real seconds beyond the usual spacing, and half of it, that a driver should have told
of; our rule, as that of `driver_kit/streams/stream_time.py`."""
_BEHIND_S: Final = 1.0  # our rule: real seconds; blocks come ten times as often
_GATES: Final = 3.0  # our rule: a block of a slow gate comes after one or two
_USUAL: Final = 0.5  # our rule: one that is missing makes it twice the usual

Mask = NDArray[np.bool_]


class BlockRun(LiveRun):
    """The state of a run that is not yet over, with blocks among what comes in.

    What `accept_sample` does with each sample is done with arrays wherever nothing is
    odd; what is odd is asked of one by one, of the same judges of plausibility and
    pace. Ambient is one value for a block: the one that stood at its end.
    """

    __slots__ = ()

    def accept_block(
        self, block: SampleBlock, stalled_s: float
    ) -> list[ReadingBlock | Event]:
        """Accept or refuse the readings of a block; return what to store, in order.

        Of a run with a number of readings, those beyond it are left out.
        """
        self.arrived_ns = self.clock.mono_ns()
        values, times = block.values, block.mono_ns
        last_ns = int(times[-1])
        if self.wake.is_before(last_ns, last_ns + block.utc_ahead_ns):
            self.note_gap()
        breaks = self._breaks(block)
        events = self._told_gaps(block, breaks, stalled_s)
        ambient_c = self.ambient.at(last_ns) if self.ambient else None
        events += self._of_ambient(last_ns, ambient_c)
        sound = self._sound(block, events)
        marks = self._suspect(block, sound, events)
        rushed = self._in_time(block, sound, events)
        # A reading behind one that was left out does not follow on it, either.
        left_out = ~sound
        breaks[1:] |= left_out[:-1]
        at = np.flatnonzero(sound)[: self._room]
        if not len(at):
            self.note_gap()
            return [*events]
        flags = self._block_flags(ambient_c, marks[at], rushed[at], breaks, at)
        self._spacing.learn(_usual_ns(times, block.gate_s))
        self.previous_mono_ns, self._gap = int(times[at[-1]]), bool(left_out[-1])
        self.accepted += len(at)
        self.previous_hz = float(values[at[-1]])
        events += self.last_refusals(ended=False)
        ambient = None if ambient_c is None else np.full(len(at), ambient_c)
        return [
            *events,
            ReadingBlock(
                utc_ns=times[at] + block.utc_ahead_ns,
                mono_ns=times[at],
                gate_s=block.gate_s,
                frequency_hz=values[at],
                ambient_c=ambient,
                flags=flags,
                raw=_texts(block, at),
            ),
        ]

    def feed(self, records: Sequence[Record]) -> list[Reading] | list[Edge]:
        """As `LiveRun.feed`; of a block only the newest reading is returned."""
        if not any(isinstance(record, ReadingBlock) for record in records):
            return super().feed(records)
        got: list[Reading] = []
        alone: list[Record] = []
        for record in records:
            if not isinstance(record, ReadingBlock):
                alone.append(record)
                continue
            got += self._fed_alone(alone)
            alone = []
            self.fed += len(record)
            self.judge.feed(columns_of_block(record, self.segment_id))
            got.append(last_reading(record))
        return [*got, *self._fed_alone(alone)]

    def _fed_alone(self, records: Sequence[Record]) -> list[Reading]:
        found = super().feed(records)
        return [one for one in found if isinstance(one, Reading)]

    def behind(self) -> str:
        """Return in words that readings of until now have not arrived, if any.

        Those that wait in the instrument's process when a run ends are in no run.
        """
        if not self.arrived_ns or self.paused or self.full:
            return ""
        newest_ns = max(self.previous_mono_ns or 0, self.began_mono_ns)
        late_s = (self.clock.mono_ns() - newest_ns) / NS_PER_S
        gate_s = self.spec.options.get("gate_s")
        gates_s = _GATES * gate_s if isinstance(gate_s, int | float) else 0.0
        least_s = max(_BEHIND_S / max(self.clock.real_s(1.0), 1e-9), gates_s)
        if late_s <= least_s:
            return ""
        return f"readings of the last {format_duration(late_s)} had not arrived"

    # --- details ---------------------------------------------------------------------

    @property
    def _room(self) -> int | None:
        """How many readings more are wanted; None: any number."""
        most = self.plan.max_readings
        return None if most is None else max(0, most - self.counted)

    def _breaks(self, block: SampleBlock) -> Mask:
        """Return which readings do not follow on the one before, as the driver tells.

        Or as their times tell, where a driver did not notice.
        """
        times = block.mono_ns
        found = np.zeros(len(times), bool)
        found[list(block.breaks)] = True
        usual_ns = _usual_ns(times, block.gate_s)
        real_s = max(self.clock.real_s(1.0), 1e-9)
        most_ns = usual_ns + max(_USUAL * usual_ns, _JUMP_S / real_s * NS_PER_S)
        before_ns = self.previous_mono_ns
        first = times[0] - usual_ns if before_ns is None else before_ns
        found |= np.diff(times, prepend=first) > most_ns
        return found

    def _told_gaps(
        self, block: SampleBlock, breaks: Mask, stalled_s: float
    ) -> list[Event]:
        """Say what is missing in a block or before it."""
        stalled = f"; nobody took its readings for {stalled_s:.2f} s"
        why = stalled if stalled_s else ""
        if block.lost:
            told = "reading" if block.lost == 1 else "readings"
            text = f"the counter lost {block.lost:,} {told} for want of room{why}"
            return [self.event(EventKind.GAP, text, instrument=self.spec.name)]
        at = np.flatnonzero(breaks)
        if not len(at) or (self.previous_mono_ns is None and at[-1] == 0) or self._gap:
            return []
        before_ns = self.previous_mono_ns or int(block.mono_ns[0])
        apart = np.diff(block.mono_ns, prepend=before_ns)[at]
        longest = format_duration(float(apart.max()) / NS_PER_S)
        text = f"{longest} without a reading{why}"
        if len(at) > 1:
            text = f"readings are missing at {len(at):,} places, {longest} at most{why}"
        return [self.event(EventKind.GAP, text, instrument=self.spec.name)]

    def _sound(self, block: SampleBlock, events: list[Event]) -> Mask:
        """Return which readings are possible; the others are told, with their bytes."""
        values, times = block.values, block.mono_ns
        sound: Mask = (values >= LEAST_POSITIVE) & (values <= LARGEST)
        if self.previous_mono_ns is not None:
            sound &= times > self.previous_mono_ns
        for at in np.flatnonzero(~sound).tolist():
            sample = _sample(block, at)
            late = _is_frequency(sample.value)
            reason = "time not increasing" if late else f"no frequency: {sample.value}"
            alike = "whose time did not increase" if late else "that are no frequency"
            events += self._refused_as(sample, Rejected(reason, alike))
        return sound

    def _suspect(
        self, block: SampleBlock, sound: Mask, events: list[Event]
    ) -> NDArray[np.int64]:
        """Return flags of what no device of the part can give."""
        flags = np.zeros(len(block), np.int64)
        at = np.flatnonzero(sound)
        if len(at) and self._plausible.all_near(block.values[at], trial=False):
            return flags
        for one in at.tolist():
            mark, said = self._plausible.of(
                float(block.values[one]), trial=False, settling=False
            )
            flags[one] = int(mark)
            if said:
                events += self._suspected(said, _sample(block, one).raw)
        return flags

    def _in_time(self, block: SampleBlock, sound: Mask, events: list[Event]) -> Mask:
        """Take out of `sound` what comes faster than its gate; return what follows."""
        rushed = np.zeros(len(block), bool)
        at = np.flatnonzero(sound)
        if not len(at) or self._pace.all_in_time(block.mono_ns[at], block.gate_s):
            rushed[at[:1]] = self._rushed
            self._rushed = self._rushed and not len(at)
            return rushed
        for one in at.tolist():
            sample = _sample(block, one)
            if said := self._pace.too_soon(sample):
                sound[one], self._rushed = False, True
                rejected = Rejected(said, alike="came faster than their gate allows")
                events += self._refused_as(sample, rejected)
            else:
                rushed[one], self._rushed = self._rushed, False
        return rushed

    def _refused_as(self, sample: Sample, rejected: Rejected) -> list[Event]:
        said = self._refusals.of(sample, rejected)
        return [self._refused(self.spec.name, one) for one in said]

    def _block_flags(
        self,
        ambient_c: float | None,
        marks: NDArray[np.int64],
        rushed: Mask,
        breaks: Mask,
        at: NDArray[np.int64],
    ) -> NDArray[np.int64]:
        """Return the flags of the readings that are kept."""
        first = int(self._flags(ambient_c))
        flags = np.full(len(at), first & ~int(Flag.GAP_BEFORE), np.int64) | marks
        flags[rushed] |= int(Flag.RUSHED)
        broken = breaks[at]
        if self.previous_mono_ns is None and not self._gap:
            broken[0] = False  # the first of all follows on nothing
        flags[broken] |= int(Flag.GAP_BEFORE)
        flags[0] |= first & int(Flag.GAP_BEFORE)
        return flags


def _is_frequency(value: float) -> bool:
    """Whether a value is a frequency at all."""
    return LEAST_POSITIVE <= value <= LARGEST


def _usual_ns(times: NDArray[np.int64], gate_s: float) -> int:
    """Return how far apart the readings of a block usually are."""
    gate_ns = round(gate_s * NS_PER_S)
    if len(times) < 2:
        return max(1, gate_ns)
    return max(1, int(np.median(np.diff(times))))


def _sample(block: SampleBlock, at: int) -> Sample:
    """Return one reading of a block as if it had come alone."""
    value, mono_ns = float(block.values[at]), int(block.mono_ns[at])
    raw = block.texts[at] if block.texts else repr(value)
    return Sample(
        value,
        block.unit,
        mono_ns,
        mono_ns + block.utc_ahead_ns,
        block.gate_s,
        raw.encode("ascii", "backslashreplace"),
        block.step,
        block.flags,
    )


def _texts(block: SampleBlock, at: NDArray[np.int64]) -> list[str | None] | None:
    """Return the texts that are kept of a block, where there are any."""
    if not block.texts:
        return None
    return [kept_text(_sample(block, one)) for one in at.tolist()]
