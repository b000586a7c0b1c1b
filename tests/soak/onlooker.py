"""Looks on at a run as a screen does, until standard input closes.

    python onlooker.py DATABASE RUN

Prints one JSON line at the end: ticks, readings seen, errors. Every read must be in the
order of ids, never shrink, and never fail.
"""

import json
import select
import sys
from pathlib import Path

from benchlog.clock import host_clock
from benchlog.priority import give_way
from benchlog.screen.follow import Follower
from benchlog.store.reader import Reader

database, run_id = Path(sys.argv[1]), int(sys.argv[2])
give_way()  # as `watch` does
follower = Follower(database, run_id, host_clock())
errors, ticks, shrunk, before = [], 0, 0, 0
while not select.select([sys.stdin], [], [], 0.1)[0]:
    follower.tick()
    follower.assess()
    if follower.fault:
        errors.append(follower.fault)
    with Reader.open(database) as reader:
        count = reader.count(run_id)
        reader.runs(limit=10)
    shrunk += count < before
    before = count
    ticks += 1
print(json.dumps({"ticks": ticks, "readings": follower.readings, "errors": errors[:5],
                  "failed": len(errors), "shrunk": shrunk}))  # fmt: skip
