"""Commits readings and says after each commit how many are acknowledged (on fd 1).

    python powercut_writer.py DATABASE COMMITS [unsafe]

`unsafe` turns syncing off: what the judge must then notice.
Checkpoints happen often, automatic and asked for, so that cuts fall into them too.
"""

import os
import sys
from pathlib import Path

from store.making import begin, connection_of, rows

from benchlog.clock import VirtualClock
from benchlog.store.writer import Writer

path, commits = Path(sys.argv[1]), int(sys.argv[2])
writer = Writer.open(path, VirtualClock(), guarded=False)
run, segment = begin(writer, "CUT-0001")
connection_of(writer).execute("pragma wal_autocheckpoint=24")
if sys.argv[3:] == ["unsafe"]:
    connection_of(writer).execute("pragma synchronous=off")
total = 0
os.write(1, b"acknowledged 0\n")
for number in range(commits):
    count = (1, 1, 1, 7, 40)[number % 5]
    writer.commit(rows(run, segment, count, first=total))
    total += count
    os.write(1, f"acknowledged {total}\n".encode())
    if number % 30 == 29:
        writer.checkpoint()
os._exit(0)  # as if the power went: nothing is closed
