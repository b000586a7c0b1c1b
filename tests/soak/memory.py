"""Whether a keeper's memory levels off: readings, and notes at its control socket.

    python tests/soak/memory.py [--seconds 480] [--gate-s 0.02] [--notes 20]

One keeper measures a device that never fails, for less than 600 s; somebody writes
notes of 200 letters into its run. Prints its resident memory twenty times. The exit
code is 1 when the last quarter took more than `GROWN_MB` beyond the one before it.
"""

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from keeper_door import kept_soak

from benchlog.clock import HostClock, host_sleep
from benchlog.recorder.instruments.process_limits import resident_mb

MARKS = 20
GROWN_MB = 3.0
"""As in `everything.py`."""


def now_s() -> float:
    return HostClock().mono_ns() / 1e9


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    words.add_argument("--seconds", type=float, default=480.0)
    words.add_argument("--gate-s", type=float, default=0.02)
    words.add_argument("--notes", type=float, default=20.0, help="a second")
    said = words.parse_args()
    marks: list[float] = []
    with (
        tempfile.TemporaryDirectory() as folder,
        kept_soak(Path(folder), gate_s=said.gate_s) as kept,
    ):
        began_s, notes = now_s(), 0
        while len(marks) < MARKS:
            gone_s = now_s() - began_s
            if notes < said.notes * gone_s:
                text = f"note {notes} " + "x" * 200
                order = {"do": "note", "run": kept.run_id, "text": text}
                notes += kept.asked(order)["ok"]
            else:
                host_sleep(0.005)
            if gone_s >= (len(marks) + 1) * said.seconds / MARKS:
                marks.append(resident_mb(kept.launched.pid))
                readings = len(kept.columns())
                print(
                    f"{gone_s:6.0f} s  {marks[-1]:6.1f} MB  {readings:8,} readings  "
                    f"{notes:7,} notes",
                    flush=True,
                )
    grown = max(marks[15:]) - max(marks[10:15])
    print(f"the last quarter took {grown:+.1f} MB beyond the one before it")
    return int(grown > GROWN_MB)


if __name__ == "__main__":
    sys.exit(main())
