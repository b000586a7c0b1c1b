"""A run of pulses in a database, written piece by piece as a keeper does.

Two trains with stamps of 50 us rms on a host 40 ppm off whose rate wanders, as issue 5
asks for; everything is invented.
"""

from dataclasses import dataclass, field

from pulse_makers import Host, Source, trains
from seeds import seeded_generator

from benchlog.clock import VirtualClock
from benchlog.model import (
    EDGE,
    Bench,
    Edge,
    Event,
    Flag,
    Identity,
    InstrumentSpec,
    Kind,
    Limits,
    Part,
    PositionSpec,
    Purpose,
    RunPlan,
)
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer
from benchlog.verdict.run.pulse_timing import pulse_timebase

FORK = Part(
    id="fork",
    title="32 kHz clock crystal",
    kind=Kind.TUNING_FORK,
    nominal_hz=32_768.0,
    limits=Limits(tolerance_ppm=20.0),
)
BENCH = Bench(
    name="by-pulses",
    instruments={
        "divided": InstrumentSpec(
            name="divided", driver="pulse-edge", address="/dev/x", quantity=EDGE
        ),
        "gps": InstrumentSpec(
            name="gps",
            driver="pulse-edge",
            address="/dev/y",
            options={"u_s": 1e-7},
            quantity=EDGE,
        ),
    },
    positions=(
        PositionSpec(name="A", frequency="divided", reference="gps", divider=32_768.0),
    ),
)
HOST = Host(ppm=40, wander_ppm=0.2, jitter_s=50e-6)
UTC_NS = 1_900_000_000 * 10**9


@dataclass
class PulseScene:
    """A device of `ppm` against a reference; `n` pulses of each."""

    writer: Writer
    clock: VirtualClock
    ppm: float = 3.0
    n: int = 600
    part: Part = FORK
    purpose: Purpose = Purpose.MEASURE
    run_id: int = 0
    segment: int = 0
    edges: list[Edge] = field(default_factory=list)

    def begin(self) -> int:
        """Begin the run; its pulses are made, and not written yet."""
        (position,) = BENCH.positions
        plan = RunPlan(
            purpose=self.purpose, device="Q-0417", part=self.part,
            position="A", bench=BENCH, max_readings=self.n, max_s=900.0,
        )  # fmt: skip
        who = {
            name: Identity(f"pulses at {name}", serial=name, simulated=True)
            for name in BENCH.instruments
        }
        self.run_id = self.writer.begin_run(plan, who, pulse_timebase(BENCH, position))
        self.segment = self.writer.begin_segment(self.run_id)
        rng = seeded_generator(self.n)
        sources = [Source(self.ppm, phase_s=0.3), Source()]
        for name, stamps in zip(
            BENCH.instruments, trains(sources, HOST, self.n, rng), strict=True
        ):
            self.edges += [
                Edge(name, UTC_NS + int(at), int(at), number, Flag.SIMULATED)
                for number, at in enumerate(stamps, start=1)
            ]
        self.edges.sort(key=lambda edge: edge.mono_ns)
        return self.run_id

    def write(self, until_s: float) -> None:
        """Write the pulses up to a time since the first one."""
        first_ns = 10**12
        due = [e for e in self.edges if e.mono_ns <= first_ns + until_s * 1e9]
        self.edges = self.edges[len(due) :]
        self.writer.commit([(self.run_id, self.segment, edge) for edge in due])
        self.clock.now_mono_ns, self.clock.now_utc_ns = due[-1].mono_ns, due[-1].utc_ns

    def event(self, kind: str, text: str, instrument: str = "gps") -> None:
        """Write an event of now."""
        event = Event(
            self.clock.now_utc_ns, self.clock.now_mono_ns, kind, text, instrument
        )
        self.writer.commit([(self.run_id, self.segment, event)])

    def end(self) -> None:
        """Write what is left and end the run."""
        self.write(1e9)
        self.writer.end_run(self.run_id, "readings reached")

    def run(self):
        """Return the run as the database has it."""
        with Reader.open(self.writer.path) as reader:
            return reader.run(self.run_id)
