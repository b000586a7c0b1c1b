"""Power cuts between any two system calls of a commit, from a record of all of them.

    python tests/soak/powercut.py [--commits 120] [--seed N] [--keep]

A writer runs under strace, which writes down every write, truncation and sync of the
database and its log, with the bytes. From that record the files are put together as
they would be found after the power had gone right there, in three ways:

* written: everything up to the call has reached the disk;
* synced: of each file only what its last fdatasync had confirmed;
* torn: what was synced, and of the writes since then any subset, the last of them cut
  at any multiple of 512 bytes.

Each is opened as a person would, and must be sound and hold every acknowledged reading.
The shared index (-shm) never survives a power cut and is left out.
"""

import argparse
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent))

import results
from seeds import seeded_random

from benchlog.errors import NotFoundError, StoreError
from benchlog.store.reader import Reader

TESTS = Path(__file__).parent.parent
CALLS = "pwrite64,write,fdatasync,fsync,ftruncate"
_CALL = re.compile(r"(\w+)\((\d+)<([^>]*)>(?:, (.*))?\) += (-?\d+)")
_SECTOR = 512


@dataclass
class File:
    """One file: its bytes now, its bytes when last synced, writes since."""

    now: bytearray = field(default_factory=bytearray)
    synced: bytes = b""
    since: list = field(default_factory=list)

    def write(self, at, data):
        _put(self.now, at, data)
        self.since.append((at, data))

    def truncate(self, size):
        _cut(self.now, size)
        self.since.append((size, None))

    def sync(self):
        self.synced, self.since = bytes(self.now), []

    def torn(self, rng):
        found = bytearray(self.synced)
        for number, (at, data) in enumerate(self.since):
            if rng.random() < 0.5:
                continue
            if data is None:
                _cut(found, at)
                continue
            last = number == len(self.since) - 1
            keep = rng.randrange(0, len(data) + 1, _SECTOR) if last else len(data)
            _put(found, at, data[:keep])
        return bytes(found)


def _put(content, at, data):
    if len(content) < at + len(data):
        content.extend(bytes(at + len(data) - len(content)))
    content[at : at + len(data)] = data


def _cut(content, size):
    if size < len(content):
        del content[size:]
    else:
        content.extend(bytes(size - len(content)))


def recorded(folder, commits, *more):
    """Run the writer under strace; return the record's lines."""
    record = folder / "record"
    words = ["strace", "-f", "-y", "-xx", "-s", "1000000", "-o", str(record)]
    words += ["-e", f"trace={CALLS}", sys.executable]
    words += [str(Path(__file__).parent / "powercut_writer.py")]
    words += [str(folder / "cut.db"), str(commits), *more]
    environment = os.environ | {"PYTHONPATH": str(TESTS)}
    subprocess.run(
        words, env=environment, check=True, stdout=subprocess.DEVNULL, timeout=300
    )
    return record.read_text(errors="replace").splitlines()


def _bytes(text):
    return bytes.fromhex(text.replace("\\x", ""))


def steps(lines):
    """Yield (what, name, arguments) of calls on the database, its log, and fd 1."""
    for line in lines:
        found = _CALL.search(line)
        if not found:
            continue
        call, fd, path, rest, result = found.groups()
        path = _bytes(path).decode() if path.startswith("\\x") else path
        name = path.rsplit("/", 1)[-1]
        if int(result) < 0 or (name not in ("cut.db", "cut.db-wal") and fd != "1"):
            continue
        if call in ("pwrite64", "write"):
            data, *numbers = re.match(r'"([^"]*)"(.*)', rest).groups()
            at = int(numbers[0].split(",")[2]) if call == "pwrite64" else 0
            where = "says" if fd == "1" else "write"
            yield where, name, (at, _bytes(data)[: int(result)])
        elif call == "ftruncate":
            yield "truncate", name, int(rest)
        else:
            yield "sync", name, None


def cuts(lines, rng):
    """Yield (way, database bytes, log bytes, acknowledged) at every boundary."""
    files = {"cut.db": File(), "cut.db-wal": File()}
    acknowledged = None
    for what, name, arguments in steps(lines):
        if what == "says":
            acknowledged = int(arguments[1].split()[1])
            continue
        if what == "write":
            files[name].write(*arguments)
        elif what == "truncate":
            files[name].truncate(arguments)
        else:
            files[name].sync()
        if acknowledged is None:
            continue
        pair = (files["cut.db"], files["cut.db-wal"])
        yield "written", *(bytes(f.now) for f in pair), acknowledged
        yield "synced", *(f.synced for f in pair), acknowledged
        yield "torn", *(f.torn(rng) for f in pair), acknowledged


def judged(folder, database, log, acknowledged):
    """Return what is wrong with the files as found after a cut, empty if nothing."""
    path = folder / "found.db"
    for beside in ("", "-wal", "-shm"):
        path.with_name(path.name + beside).unlink(missing_ok=True)
    path.write_bytes(database)
    path.with_name("found.db-wal").write_bytes(log)
    try:
        return _look(path, acknowledged)
    except (StoreError, NotFoundError) as error:
        return str(error)


def _look(path, acknowledged):
    with Reader.open(path) as reader:
        columns = reader.columns_after(1)
        if len(columns) < acknowledged:
            return f"{len(columns)} of {acknowledged} acknowledged readings"
        if columns.mono_ns.tolist() != [i * 10**9 for i in range(len(columns))]:
            return "readings are not one after the other"
    plain = sqlite3.connect(path)
    said = plain.execute("pragma integrity_check").fetchone()[0]
    plain.close()
    return "" if said == "ok" else said


def power_cuts(folder, commits, seed, *more):
    """Do it; return {way: (cuts, bad)} and the first few faults."""
    rng = seeded_random(seed)
    counts = {way: [0, 0] for way in ("written", "synced", "torn")}
    faults = []
    for way, database, log, acknowledged in cuts(recorded(folder, commits, *more), rng):
        fault = judged(folder, database, log, acknowledged)
        counts[way][0] += 1
        if fault:
            counts[way][1] += 1
            faults.append((way, counts[way][0], fault))
    return counts, faults


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--commits", type=int, default=120)
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--keep", action="store_true")
    given = parser.parse_args()
    if not shutil.which("strace"):
        sys.exit("strace is needed for the record of system calls")
    with tempfile.TemporaryDirectory(prefix="soak-cut-") as folder:
        counts, faults = power_cuts(Path(folder), given.commits, given.seed)
    body = [(way, str(n), str(bad)) for way, (n, bad) in counts.items()]
    note = (
        f"{given.commits} commits of 1, 7 or 40 readings with checkpoints in between, "
        f"seed {given.seed}; a cut after every write, truncation and sync."
    )
    head = ("on the disk", "cuts", "unsound, or an acknowledged reading missing")
    results.report("Power cuts", head, body, note, keep=given.keep)
    print(*faults[:10], sep="\n", file=sys.stderr)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
