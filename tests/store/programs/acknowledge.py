"""Writes readings to a database and says after each commit how many are safe.

Usage: acknowledge.py DATABASE GUARDED BATCH; prints `run N`, then totals, one a line.
"""

import os
import sys
from pathlib import Path

from store.making import begin, rows

from benchlog.clock import HostClock
from benchlog.errors import StoreLockedError
from benchlog.store.writer import Writer

path, guarded, batch = Path(sys.argv[1]), sys.argv[2] == "yes", int(sys.argv[3])
writer = Writer.open(path, HostClock(), guarded=guarded)


def begun():
    while True:
        try:
            return begin(writer, f"device {os.getpid()}")
        except StoreLockedError:  # the caller's part: try again
            continue


run, segment = begun()
os.write(1, f"run {run}\n".encode())
total = 0
limit = int(sys.argv[4]) if len(sys.argv) > 4 else sys.maxsize
while total < limit:
    try:
        writer.commit(rows(run, segment, batch, first=total))
    except StoreLockedError:  # the caller's part: try again
        continue
    total += batch
    os.write(1, f"{total}\n".encode())
writer.close()
