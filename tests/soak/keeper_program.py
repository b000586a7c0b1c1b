"""A keeper for one soak, in a process of its own, whose host can be made to misbehave.

    python keeper_program.py DATABASE BENCH_FILE PART FOR_S FOLDER [RUN]

begins a soak, or goes on with RUN.

The keeper is the real one. A computer cannot be suspended, nor its clock stepped, for a
test; what the lookout reads of the host's clocks is shifted here by what stands in
FOLDER/host.json: {"asleep_s": ..., "stepped_s": ...}. Everything told goes to FOLDER.
"""

import json
import sys
from dataclasses import replace
from pathlib import Path

from benchlog.catalogue import load_bench, load_part
from benchlog.clock import Moment, host_clock, host_moment
from benchlog.model import Purpose, RunPlan
from benchlog.recorder import host_monitor as lookout
from benchlog.recorder.keeper import keep
from benchlog.recorder.narration import line_of
from benchlog.recorder.notice import RunNotice
from benchlog.recorder.run.resume import resumed


def shifted(folder: Path):
    """Return a clock reading that shifts as the file says."""

    def moment() -> Moment:
        found = host_moment()
        try:
            shift = json.loads((folder / "host.json").read_text())
        except (OSError, ValueError):
            return found
        asleep_ns = int(shift.get("asleep_s", 0) * 1e9)
        utc_ns = found.utc_ns + asleep_ns + int(shift.get("stepped_s", 0) * 1e9)
        return replace(found, utc_ns=utc_ns, boot_ns=found.boot_ns + asleep_ns)

    return moment


def main() -> None:
    """Keep one soak to its end."""
    database, bench, part, for_s, folder = sys.argv[1:6]
    lookout.host_moment = shifted(Path(folder))
    known = load_bench(bench)
    plan = RunPlan(
        purpose=Purpose.SOAK,
        device="SOAK-0001",
        part=load_part(part),
        position=known.positions[0].name,
        bench=known,
        max_s=float(for_s),
    )

    with (Path(folder) / "told.txt").open("a") as log:

        def tell(told: RunNotice) -> None:
            if line := line_of(told):
                log.write(line + "\n")
                log.flush()

        clock, old = host_clock(), ()
        if len(sys.argv) > 6:
            old = (resumed(Path(database), int(sys.argv[6]), clock.utc_ns()),)
            plan = old[0].plan
        keep([plan], Path(database), clock, tell=tell, go_on=True, resume=old)


if __name__ == "__main__":
    main()
