"""Ten accelerated nights in a row: memory and open files of keeper and onlooker.

    python tests/soak/nights.py [--nights 10] [--hours 8] [--scale 600] [--keep]

One keeper, one run; the line to the counter breaks ten times a night.
"""

import argparse
import os
import sys
import tempfile
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent))

import numpy as np
import results
from crowd import onlooker
from rig import Rig
from seeds import seeded_random

from benchlog.clock import host_deadline, host_sleep
from benchlog.recorder.instruments.process_limits import resident_mb

BREAKS = 10


@dataclass
class Log:
    """What was seen of one process: nights since the start, MB, open files."""

    nights: list = field(default_factory=list)
    mb: list = field(default_factory=list)
    files: list = field(default_factory=list)

    def look(self, at, pid):
        with suppress(OSError):
            files = len(os.listdir(f"/proc/{pid}/fd"))
            self.nights.append(at)
            self.mb.append(resident_mb(pid))
            self.files.append(files)

    def slope(self):
        """MB a night, after the first night."""
        late = np.array(self.nights) > 1
        return float(
            np.polyfit(np.array(self.nights)[late], np.array(self.mb)[late], 1)[0]
        )

    def most_files(self, night):
        """Most open files during one night, the first is 1."""
        pairs = zip(self.nights, self.files, strict=True)
        return max(f for n, f in pairs if night - 1 < n <= night)

    def more_files(self, nights):
        return self.most_files(nights) - self.most_files(2)


def nights(folder, count, hours, scale):
    """Run it; return the logs by process and the number of readings."""
    rng = seeded_random(1)
    night_s = hours * 3600 / scale
    rig = Rig(folder, scale=scale, gate_s=10.0)
    logs = {"keeper": Log(), "onlooker": Log()}
    look = None
    try:
        rig.start_bench()
        rig.start_keeper(1e9)
        with rig.reader() as reader:
            run_id = reader.latest_run().id
        look = onlooker(rig, run_id)
        for number in range(count * BREAKS):
            slice_end = host_deadline(night_s / BREAKS)
            host_sleep(rng.uniform(0, night_s / BREAKS / 2))
            rig.order("counter drop")
            host_sleep(slice_end.left_s())
            at = (number + 1) / BREAKS
            logs["keeper"].look(at, rig.keeper.pid)
            logs["onlooker"].look(at, look.pid)
            print(f"night {at:.1f}: {logs['keeper'].mb[-1]:.1f} MB", file=sys.stderr)
        readings = rig.count()
    finally:
        if look is not None:
            look.communicate(timeout=60)
        rig.stop()
    return logs, readings


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--nights", type=int, default=10)
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--scale", type=float, default=600.0)
    parser.add_argument("--keep", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="soak-nights-") as folder:
        logs, readings = nights(Path(folder), given.nights, given.hours, given.scale)
    body = [
        (name, f"{log.mb[0]:.1f}", f"{log.mb[-1]:.1f}", f"{log.slope():+.2f}",
         f"{log.most_files(2)}", f"{log.most_files(given.nights)}")
        for name, log in logs.items()
    ]  # fmt: skip
    note = (
        f"{given.nights} nights of {given.hours:g} h at {given.scale:g} times the "
        f"speed, {readings:,} readings, {given.nights * BREAKS} broken lines. The "
        "slope is over all but the first night; at most 1 MB a night is asked for. "
        "Files are the most that were open at once; the onlooker opens a database more "
        "for a moment ten times a second."
    )
    head = ("process", "MB at first", "MB at last", "MB a night", "files in night 2",
            "files in the last night")  # fmt: skip
    results.report("Ten nights in a row", head, body, note, keep=given.keep)
    bad = [
        n
        for n, log in logs.items()
        if log.slope() > 1.0 or log.more_files(given.nights) > 0
    ]
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
