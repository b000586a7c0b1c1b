"""Record a run as a keeper does with each reading it accepted, and end it.

    python recording.py DATABASE READINGS [streamed]

Ten readings are queued and committed at once and handed to the judge, which is asked
every hundred. `streamed`: they come in blocks of ten thousand, as from a counter
that streams; the judge is asked after each.
"""

import sys
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

import numpy as np
from benchmarks.long_run import SPACING_S, begun, readings_of
from seeds import seeded_generator

from benchlog.clock import HostClock, VirtualClock
from benchlog.model import Flag
from benchlog.recorder.run.blocks.block_columns import columns_of_block
from benchlog.recorder.run.commit_queue import CommitQueue
from benchlog.recorder.run.judge_batches import columns_of
from benchlog.store.reader import Reader
from benchlog.store.reading_block import ReadingBlock
from benchlog.store.writer import Writer
from benchlog.verdict.run.judges import AnyJudge, judge_for

AT_ONCE = 10
ASKED_EVERY = 100
LOOKED_EVERY = 1_000
BLOCK = 10_000


def judged_run(writer: Writer) -> tuple[int, int, AnyJudge, CommitQueue]:
    """Begin a run; return its id, that of its segment, its judge and its queue."""
    run_id, segment_id = begun(writer)
    with Reader.open(writer.path) as reader:
        judge = judge_for(reader.run(run_id))
    return run_id, segment_id, judge, CommitQueue(writer)


def streamed(database: Path, count: int) -> None:
    """Record a run of simulated readings that come in blocks."""
    clock = VirtualClock(0, HostClock().utc_ns())
    with Writer.open(database, clock) as writer:
        run_id, segment_id, judge, queue = judged_run(writer)
        for block in blocks_of(clock, count, seed=1):
            queue.add((run_id, segment_id, block))
            done = queue.commit_if_due(now=True)
            assert sum(len(row[2]) for row in done.rows) == len(block)
            judge.feed(columns_of_block(block, segment_id))
            judge.assessment()
            queue.unproven.found_whole()
        writer.end_run(run_id, "readings reached")


def blocks_of(clock: VirtualClock, count: int, *, seed: int) -> Iterator[ReadingBlock]:
    """Yield readings with wander and noise like those of `readings_of`, as blocks."""
    rng = seeded_generator(seed)
    wander_ppm = 0.0
    for at in range(0, count, BLOCK):
        steps, noise = rng.standard_normal((2, min(BLOCK, count - at)))
        wanders = (1 - 1e-5 * BLOCK) * wander_ppm + np.cumsum(0.0005 * steps)
        wander_ppm = float(wanders[-1])
        after_ns = np.arange(len(steps)) * round(SPACING_S * 1e9)
        yield ReadingBlock(
            utc_ns=clock.utc_ns() + after_ns,
            mono_ns=clock.mono_ns() + after_ns,
            gate_s=SPACING_S,
            frequency_hz=np.round(
                16e6 * (1 + (-9.25 + wanders + 0.002 * noise) * 1e-6), 3
            ),
            ambient_c=np.round(25.0 + wanders, 2),
            flags=np.full(len(steps), int(Flag.SIMULATED)),
            raw=None,
        )
        clock.sleep(len(steps) * SPACING_S)


def record(database: Path, count: int) -> None:
    """Record a run of simulated readings."""
    clock = VirtualClock(0, HostClock().utc_ns())
    with Writer.open(database, clock) as writer:
        run_id, segment_id, judge, queue = judged_run(writer)
        readings = readings_of(clock, seed=1)
        for at in range(0, count, AT_ONCE):
            batch = [next(readings) for _ in range(AT_ONCE)]
            for one in batch:
                queue.add((run_id, segment_id, one))
            done = queue.commit_if_due(now=True)
            assert len(done.rows) == len(batch)
            judge.feed(columns_of(batch, segment_id))
            if not at % ASKED_EVERY:
                judge.assessment()
            if not at % LOOKED_EVERY:
                queue.unproven.found_whole()
        writer.end_run(run_id, "readings reached")


if __name__ == "__main__":
    way = streamed if sys.argv[3:] == ["streamed"] else record
    way(Path(sys.argv[1]), int(sys.argv[2]))
