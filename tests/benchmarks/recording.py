"""Record a run as a keeper does with each reading it accepted, and end it.

    python recording.py DATABASE READINGS

Ten readings are queued and committed at once and handed to the judge, which is asked
every hundred.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from benchmarks.long_run import begun, readings_of

from benchlog.clock import HostClock, VirtualClock
from benchlog.recorder.run.commit_queue import CommitQueue
from benchlog.recorder.run.judge_batches import columns_of
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer
from benchlog.verdict.run.judges import judge_for

AT_ONCE = 10
ASKED_EVERY = 100
LOOKED_EVERY = 1_000


def record(database: Path, count: int) -> None:
    """Record a run of simulated readings."""
    clock = VirtualClock(0, HostClock().utc_ns())
    with Writer.open(database, clock) as writer:
        run_id, segment_id = begun(writer)
        with Reader.open(database) as reader:
            judge = judge_for(reader.run(run_id))
        queue, readings = CommitQueue(writer), readings_of(clock, seed=1)
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
    record(Path(sys.argv[1]), int(sys.argv[2]))
