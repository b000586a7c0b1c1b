"""How often intervals of a rack's characteristics hold what the devices truly have.

    python tests/recorder/rack/coverage_campaign.py [SEQUENCE] [RACKS] [FIRST] [--keep]

Each rack has 32 drawn devices in a simulated chamber with inertia, overshoot and places
that differ. The script takes them through the sequence on a virtual clock: what decides
and what is worked out is as it is in `qualify`; sockets and processes are left out. The
truth is that of `rack_truth.py`. The last table is kept in COVERAGE.md.
"""

import sys
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))

from recorder.rack.campaign_devices import PLACE_C, campaign_scenario, place_off_c
from recorder.rack.rack_truth import TruePoints
from recorder.rack.virtual_devices import VirtualBench

from benchlog.catalogue import load_part, load_sequence
from benchlog.model import EventKind, Step

PART = load_part("vctcxo-10mhz-1ppm")
REFERENCES = {"temperature": 25.0, "supply": 3.3, "control": 1.5, "load": 10.0}
GATES = 6
TIMEBASE_U_PPM = 0.01 / 3**0.5
"""Standard uncertainty of the counter's time base: a rectangle of what is stated."""


def short(sequence):
    """Return a sequence with few gates a point."""
    steps = [one for one in sequence.steps if isinstance(one, Step)]
    return replace(sequence, steps=tuple(replace(one, gates=GATES) for one in steps))


def measured_rack(sequence, devices, seed):
    """Return a rack that went through a sequence, and what each device truly had."""
    scenario = campaign_scenario(PART, devices, seed)
    bench = VirtualBench(scenario, PART, sequence, u_c=PLACE_C)
    served = {
        run.run_id: bench.served.devices[run.position.channel]
        for run in bench.rack.runs
    }
    truths = {
        run_id: TruePoints(bench.plan.steps, place_off_c(device.rack_spec))
        for run_id, device in served.items()
    }
    plain = bench.rack.note

    def note(run, kind, *more):
        plain(run, kind, *more)
        if kind == EventKind.TURN:
            step = run.turns()[-1].step
            now_s = bench.served.world.now_s()
            truths[run.run_id].note(served[run.run_id], step, now_s)

    bench.rack.book.runs.note = note
    bench.go()
    assert bench.rack.how == "sequence complete", bench.rack.how
    return bench, truths


def campaign(name, racks, first=1, devices=32):
    """Return each characteristic's errors in halves of its interval, and dips."""
    sequence, errors = short(load_sequence(name)), defaultdict(list)
    dips = {"dip found": [], "dip told falsely": []}
    for seed in range(first, first + racks):
        bench, truths = measured_rack(sequence, devices, seed)
        for run in bench.rack.runs:
            _, found = bench.found(run, TIMEBASE_U_PPM)
            true = truths[run.run_id].truths(REFERENCES)
            for line in found.values():
                if line.name in true:
                    away = line.value - true[line.name] if line.value else np.inf
                    errors[line.name].append((away / line.u, line.u, away))
            if (told := found.get("activity-dips")) is not None:
                spec = bench.served.devices[run.position.channel].rack_spec
                near = [d for d in spec.dips if told.at and abs(told.at - d.at_c) < 6]
                which = "dip found" if spec.dips else "dip told falsely"
                dips[which].append(bool(near) if spec.dips else told.at is not None)
    return errors, {what: seen for what, seen in dips.items() if seen}


def table(errors, dips):
    """Yield the lines of the result."""
    yield f"{'':24s}{'devices':>8s}{'held, %':>9s}{'mean z':>8s}{'median U':>10s}"
    for name, rows in errors.items():
        z, u, _ = np.array(rows).T
        held = 100 * np.mean(np.abs(z) <= 1)
        yield (f"{name:24s}{len(z):8d}{held:9.1f}{z.mean():8.2f}{np.median(u):10.4f}")
    for what, seen in dips.items():
        yield f"{what:24s}{len(seen):8d}{100 * np.mean(seen):9.1f}"


def main():
    words = [word for word in sys.argv[1:] if word != "--keep"]
    name = words[0] if words else "temperature-five-points"
    racks = int(words[1]) if len(words) > 1 else 16
    first = int(words[2]) if len(words) > 2 else 1
    head = f"{name}, {racks} racks of 32, seeds {first} to {first + racks - 1}"
    lines = [head, *table(*campaign(name, racks, first))]
    print("\n".join(lines))
    if "--keep" in sys.argv:
        path = Path(__file__).with_name("COVERAGE.md")
        command = f"coverage_campaign.py {name} {racks} {first} --keep"
        with path.open("a", encoding="utf-8") as kept:
            kept.write(f"\nMade by `python tests/recorder/rack/{command}`:\n\n")
            kept.write("```\n" + "\n".join(lines) + "\n```\n")


if __name__ == "__main__":
    main()
