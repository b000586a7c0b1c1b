"""Databases with synthetic readings, written through the store, for the screen's tests.

Everything is invented. The generator is seeded, so that pictures can be compared.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from seeds import seeded_generator

from benchlog.clock import VirtualClock
from benchlog.model import (
    Bench,
    Event,
    Flag,
    Identity,
    InstrumentSpec,
    Kind,
    Limits,
    Part,
    PositionSpec,
    Purpose,
    Reading,
    RunPlan,
    Timebase,
)
from benchlog.store import VerdictRow, Writer
from benchlog.store.reading_block import ReadingBlock
from benchlog.units import NS_PER_S
from benchlog.verdict.run.judges import judge_for

QUARTZ = Part(
    id="quartz-16mhz-30ppm",
    title="16 MHz quartz crystal, 30 ppm",
    kind=Kind.QUARTZ,
    nominal_hz=16e6,
    limits=Limits(
        tolerance_ppm=30.0, stability_ppm=50.0, range_c=(-20.0, 70.0), jitter_ppm=0.5
    ),
)
CLOCK = Part(
    id="fork-32khz",
    title="clock crystal",
    kind=Kind.TUNING_FORK,
    nominal_hz=32_768.0,
    limits=Limits(tolerance_ppm=20.0),
)
STATED = Timebase(
    status="stated",
    offset_ppm=0.0,
    u_ppm=0.05 / 3**0.5,
    valid_until_utc_ns=None,
    text="stated +-0.05 ppm in the bench file",
)


@dataclass
class Scene:
    """One run to be written: what is measured, and what happens."""

    device: str = "Q-0417"
    part: Part = QUARTZ
    offset_ppm: float = -9.25
    scatter_ppm: float = 0.04
    readings: int = 48
    gate_s: float = 1.0
    ambient_c: float | None = 24.8
    timebase: Timebase = STATED
    purpose: Purpose = Purpose.MEASURE
    simulated: bool = True
    operator: str = ""
    note: str = ""
    lot: str | None = None
    bench: str = "bench-one"
    position: str = "A"
    control: str = ""
    until_clear: bool = True
    max_readings: int | None = 300
    max_s: float | None = 300.0
    gaps_after: Sequence[int] = ()
    gap_s: float = 20.0
    events: Sequence[tuple[float, str, str]] = ()
    seed: int = 1
    ended: str = "verdict clear"
    shape: Callable[[np.ndarray], np.ndarray] | None = field(default=None)

    def plan(self) -> RunPlan:
        """Return what the run is begun with."""
        counter = InstrumentSpec(
            name="counter", driver="scpi-counter", simulated=self.simulated
        )
        bench = Bench(
            name=self.bench,
            instruments={"counter": counter},
            positions=(PositionSpec(name=self.position, frequency="counter"),),
        )
        return RunPlan(
            purpose=self.purpose,
            device=self.device,
            part=self.part,
            position=self.position,
            bench=bench,
            lot=self.lot,
            operator=self.operator,
            note=self.note,
            until_clear=self.until_clear,
            max_readings=self.max_readings,
            max_s=self.max_s,
        )

    def course(self, count: int) -> tuple[np.ndarray, np.ndarray]:
        """Return when readings come, the first at the end of the first gate, in s, and
        their offsets in ppm."""
        random = seeded_generator(self.seed)
        ppm = self.offset_ppm + self.scatter_ppm * random.standard_normal(count)
        at_s = np.arange(1, count + 1) * self.gate_s
        for after in self.gaps_after:
            at_s[after:] += self.gap_s
        if self.shape is not None:
            ppm = ppm + self.shape(at_s)
        return at_s, ppm

    def values(self, count: int) -> list[Reading]:
        """Return the readings."""
        at_s, ppm = self.course(count)
        flag = Flag.SIMULATED if self.simulated else Flag.NONE
        gaps = set(self.gaps_after)
        return [
            Reading(
                START_NS + round(t * NS_PER_S),
                MONO_NS + round(t * NS_PER_S),
                self.gate_s,
                float(round(self.part.nominal_hz * (1 + y * 1e-6), 4)),
                self.ambient_c,
                flag | (Flag.GAP_BEFORE if n in gaps else Flag.NONE),
            )
            for n, (t, y) in enumerate(zip(at_s, ppm, strict=True))
        ]


START_NS = 1_900_000_000 * NS_PER_S
MONO_NS = 1_000 * NS_PER_S


class Stage:
    """A database being written while a screen looks on, on a clock of its own."""

    def __init__(self, database: Path) -> None:
        self.database = database
        self.clock = VirtualClock()
        self.writer = Writer.open(database, self.clock)
        self._segments: dict[int, int] = {}

    def begin(self, scene: Scene) -> int:
        """Begin a run; its first event says so."""
        self._set_clock(0.0)
        who = Identity("made up", "SIMULATED", "C1", "1", simulated=scene.simulated)
        run_id = self.writer.begin_run(
            scene.plan(),
            {"counter": who},
            scene.timebase,
            control=scene.control,
            resolution_hz=1e-3,
        )
        self._segments[run_id] = self.writer.begin_segment(run_id)
        self.event(run_id, 0.0, "started", f"measuring {scene.device}")
        return run_id

    def readings(self, run_id: int, readings: Sequence[Reading]) -> None:
        """Commit readings and move the clock to the last of them."""
        segment = self._segments[run_id]
        self.writer.commit([(run_id, segment, reading) for reading in readings])
        if readings:
            self._set_clock((readings[-1].mono_ns - MONO_NS) / NS_PER_S)

    def block(self, run_id: int, scene: Scene) -> None:
        """Commit the readings of a scene without gaps as those of a stream."""
        at_s, ppm = scene.course(scene.readings)
        since_ns = np.rint(at_s * NS_PER_S).astype(np.int64)
        one = ReadingBlock(
            utc_ns=START_NS + since_ns,
            mono_ns=MONO_NS + since_ns,
            gate_s=scene.gate_s,
            frequency_hz=np.round(scene.part.nominal_hz * (1 + ppm * 1e-6), 4),
            ambient_c=None,
            flags=np.full(len(at_s), int(Flag.SIMULATED)),
            raw=None,
        )
        self.writer.commit_block(run_id, self._segments[run_id], one)
        self._set_clock(float(at_s[-1]))

    def event(self, run_id: int, at_s: float, kind: str, text: str) -> None:
        """Commit an event."""
        at_ns = round(at_s * NS_PER_S)
        event = Event(START_NS + at_ns, MONO_NS + at_ns, kind, text)
        self.writer.commit([(run_id, self._segments[run_id], event)])

    def end(self, run_id: int, how: str) -> None:
        """End a run with its verdict, as a keeper does."""
        from benchlog.store import Reader

        with Reader.open(self.database) as reader:
            judge = judge_for(reader.run(run_id))
            for columns in reader.chunks(run_id):
                judge.feed(columns)
        a = judge.assessment()
        self.writer.add_verdict(
            run_id,
            VerdictRow(
                word=str(a.word),
                offset_ppm=a.offset_ppm,
                u_ppm=a.u_ppm,
                limit_ppm=a.limit.ppm,
                conformance=a.conformance,
            ),
        )
        now_s = (self.clock.mono_ns() - MONO_NS) / NS_PER_S
        self.event(run_id, now_s, "ended", how)
        self.writer.end_run(run_id, how)

    def play(self, scene: Scene, *, end: bool = True) -> int:
        """Write a whole run."""
        run_id = self.begin(scene)
        self.readings(run_id, scene.values(scene.readings))
        for at_s, kind, text in scene.events:
            self.event(run_id, at_s, kind, text)
        if end:
            self.end(run_id, scene.ended)
        return run_id

    def close(self) -> None:
        """Let go of the database."""
        self.writer.close()

    def _set_clock(self, at_s: float) -> None:
        self.clock.now_mono_ns = MONO_NS + round(at_s * NS_PER_S)
        self.clock.now_utc_ns = START_NS + round(at_s * NS_PER_S)
