"""A run of a million readings, and a process that adds ten more each second.

    python long_run.py DATABASE RUN

adds until its standard input closes, and answers at the run's control socket as a
keeper does.
"""

import selectors
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from seeds import seeded_generator

from benchlog.catalogue import load_part
from benchlog.clock import HostClock, VirtualClock, host_deadline
from benchlog.control import Answer, Request, file_of
from benchlog.model import (
    Bench,
    Flag,
    Identity,
    InstrumentSpec,
    PositionSpec,
    Purpose,
    Reading,
    RunPlan,
    Timebase,
)
from benchlog.recorder.boundary import Boundary
from benchlog.recorder.control_server import ControlServer
from benchlog.recorder.run.commit_queue import CommitQueue, OpenRuns
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

SPACING_S = 0.1
_SPACING_NS = 100_000_000
_BATCH = 1_000
_SOCKET = "long-run.sock"


def make(database: Path, count: int) -> int:
    """Make an open run whose newest reading is of now; return its id."""
    now = HostClock()
    before_ns = count * _SPACING_NS
    clock = VirtualClock(before_ns, now.utc_ns() - before_ns)
    readings = readings_of(clock, seed=1)
    with Writer.open(database, clock) as writer:
        run_id, segment_id = begun(writer)
        for _ in range(0, count, _BATCH):
            batch = [next(readings) for _ in range(_BATCH)]
            writer.commit([(run_id, segment_id, one) for one in batch])
    return run_id


def begun(writer: Writer) -> tuple[int, int]:
    """Begin a run; return its id and that of its segment."""
    who = Identity("SIMULATED,Bench Counter,SIM-0001,1.0", simulated=True)
    run_id = writer.begin_run(
        _plan(),
        {"counter": who},
        Timebase(status="stated", offset_ppm=0.0, u_ppm=0.03),
        control=_SOCKET,
        resolution_hz=1e-3,
    )
    return run_id, writer.begin_segment(run_id)


def add(database: Path, run_id: int) -> None:
    """Add a reading every 0.1 s, each committed alone, until standard input closes."""
    with Reader.open(database) as reader:
        segment_id = reader.segments(run_id)[-1].id
        last = reader.columns_after(run_id, reader.last_id(run_id) - 1)
    clock = VirtualClock(int(last.mono_ns[-1]) + _SPACING_NS, HostClock().utc_ns())
    readings = readings_of(clock, seed=2)
    at = database.with_name(_SOCKET)
    with (
        Writer.open(database, HostClock()) as writer,
        selectors.DefaultSelector() as selector,
        closing(
            ControlServer(
                at, file_of(database), selector, _answer(run_id), _boundary(writer)
            )
        ) as desk,
    ):
        selector.register(sys.stdin, selectors.EVENT_READ, ("end", None))
        due = host_deadline(SPACING_S)
        while True:
            for key, _ in selector.select(due.left_s()):
                if key.data[0] == "end":
                    return
                desk.serve(key.data[1])
            if due.passed:
                due = replace(due, at_ns=due.at_ns + _SPACING_NS)
                writer.commit([(run_id, segment_id, next(readings))])


def _boundary(writer: Writer) -> Boundary:
    return Boundary(OpenRuns(CommitQueue(writer), lambda *_: None), print)


def readings_of(clock: VirtualClock, *, seed: int) -> Iterator[Reading]:
    """Yield readings as of a quartz in a room: it wanders, and has noise."""
    rng = seeded_generator(seed)
    wander_ppm = 0.0
    while True:
        for step, noise in rng.standard_normal((4_096, 2)).tolist():
            wander_ppm += 0.0005 * step - 1e-5 * wander_ppm
            ppm = -9.25 + wander_ppm + 0.002 * noise
            ambient_c = 25.0 + wander_ppm
            yield Reading(
                clock.utc_ns(),
                clock.mono_ns(),
                SPACING_S,
                round(16e6 * (1 + ppm * 1e-6), 3),
                round(ambient_c, 2),
                Flag.SIMULATED,
            )
            clock.sleep(SPACING_S)


def _answer(run_id: int) -> Callable[[Request], Answer]:
    def answer(request: Request) -> Answer:
        data = {"runs": {str(run_id): "measuring"}, "rows_waiting": 0}
        return Answer(ok=request.do == "status", data=data)

    return answer


def _plan() -> RunPlan:
    counter = InstrumentSpec(
        name="counter", driver="scpi-counter", address="TCPIP::127.0.0.1::5025::SOCKET"
    )
    position = PositionSpec(name="A", frequency="counter")
    return RunPlan(
        purpose=Purpose.SOAK,
        device="C-0001",
        part=load_part("quartz-16mhz-30ppm"),
        position="A",
        bench=Bench(
            name="simulated", instruments={"counter": counter}, positions=(position,)
        ),
    )


if __name__ == "__main__":
    add(Path(sys.argv[1]), int(sys.argv[2]))
