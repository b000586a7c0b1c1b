"""A whole simulated rack over real sockets, as a user takes it through a sequence.

    python tests/recorder/rack/socket_campaign.py SEQUENCE SEED [--scale 60] [--db FILE]

Starts `benchlog simulate --rack 32` and `benchlog qualify` as processes, with bench
time that runs faster, and compares what the database has of each device with what the
simulated device truly had: the orders in the database are given to the same rack once
more, on a virtual clock. `--db` names a database in which that was done already.
"""

import argparse
import os
import subprocess
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))

from recorder.rack.coverage_campaign import PART, REFERENCES, table
from recorder.rack.rack_truth import TruePoints

from benchlog.clock import HostClock, VirtualClock
from benchlog.evaluation.rack_study import newest_qualification
from benchlog.simulate.rack_bench import SimulatedRack
from benchlog.simulate.rack_scenario import FIRST_CHANNEL, rack_scenario
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S

DEVICES = 32
BEFORE_S = 600.0
"""Bench seconds that the rack had stood before its first order."""
BENCHLOG = str(Path(sys.executable).with_name("benchlog"))
DEAD_MAN_S = 120
"""Real seconds of a keeper's silence: a computer with much else to do is slow."""


def qualified_rack(sequence, seed, scale, folder):
    """Take a rack through a sequence; return the database and the real seconds."""
    env = {**os.environ, "BENCHLOG_TIME_SCALE": str(scale)}
    bench, ids, path = (folder / name for name in ("rack.toml", "ids", "rack.db"))
    ids.write_text("".join(f"DUT-{k + 1}\n" for k in range(DEVICES)))
    simulate = [BENCHLOG, "simulate", "--rack", str(DEVICES), "--part", PART.id]
    simulate += ["--seed", str(seed), "--bench-out", str(bench)]
    qualify = [BENCHLOG, "qualify", "--bench", str(bench), "--part", PART.id]
    qualify += ["--sequence", sequence, "--devices", str(ids), "--no-screen"]
    with subprocess.Popen(simulate, env=env, stdout=subprocess.PIPE, text=True) as rack:
        try:
            for line in rack.stdout:
                if line.startswith("control"):
                    break
            text = bench.read_text()
            for name in ("chamber", "supply", "pulling", "scanner"):
                head = f"[instruments.{name}]\n"
                text = text.replace(head, f"{head}dead_man_s = {DEAD_MAN_S}\n")
            bench.write_text(text)
            clock = HostClock()
            began_ns = clock.mono_ns()
            log = (folder / "qualify.txt").open("w")
            subprocess.run(
                [*qualify, "--db", str(path)],
                check=False,
                env=env,
                stdout=log,
                stderr=log,
            )
            return path, (clock.mono_ns() - began_ns) / NS_PER_S
        finally:
            rack.terminate()


class Replay:
    """The rack once more: the orders that were logged, in their order of time."""

    def __init__(self, seed, orders):
        self.rack = SimulatedRack(rack_scenario(PART, DEVICES, seed), VirtualClock())
        self._orders = sorted(orders, key=lambda one: one.utc_ns)
        self._epoch_ns = self._orders[0].utc_ns - round(BEFORE_S * NS_PER_S)

    def at_s(self, utc_ns):
        return (utc_ns - self._epoch_ns) / NS_PER_S

    def until(self, utc_ns):
        """Carry out what was ordered before a moment."""
        while self._orders and self._orders[0].utc_ns <= utc_ns:
            self._carry_out(self._orders.pop(0))

    def _carry_out(self, order):
        at_s = self.at_s(order.utc_ns)
        if order.quantity == "temperature ordered":
            self.rack.chamber.send(round(order.value, 1), at_s)
        elif order.quantity == "supply ordered":
            self.rack.rack.set_volts(order.value, at_s)
        elif order.quantity == "control ordered":
            self.rack.rack.set_control(at_s, volts=order.value)
        elif order.quantity == "power ordered":
            self.rack.rack.set_output(bool(order.value), at_s)


def judged(path, seed):
    """Return each characteristic's errors in halves of its interval, and dips."""
    with Reader.open(path) as reader:
        found = newest_qualification(reader)
        first = found.devices[0].run.id
        conditions = [condition for _, condition in reader.conditions(first)]
    orders = [one for one in conditions if one.quantity.endswith(" ordered")]
    replay = Replay(seed, orders)
    truths, errors = {}, defaultdict(list)
    turns = [
        (point.turn.end_utc_ns, place, point)
        for place, one in enumerate(found.devices)
        for point in one.points
    ]
    away = []
    for utc_ns, place, point in sorted(turns, key=lambda one: one[:2]):
        replay.until(utc_ns)
        device = replay.rack.devices[FIRST_CHANNEL + place]
        true = truths.setdefault(place, TruePoints(found.plan.steps))
        true.note(device, point.step.index, replay.at_s(utc_ns))
        away.append(point.offsets_ppm.mean() - true.ppm[point.step.index])
    dips = {"dip found": [], "dip told falsely": []}
    for place, one in enumerate(found.devices):
        true = truths[place].truths(REFERENCES)
        spec = replay.rack.devices[FIRST_CHANNEL + place].rack_spec
        for line in one.found:
            if line.name in true and line.value is not None:
                error = line.value - true[line.name]
                errors[line.name].append((error / line.u, line.u, error))
            if line.name == "activity-dips" and line.value is not None:
                near = [d for d in spec.dips if line.at and abs(line.at - d.at_c) < 6]
                which = "dip found" if spec.dips else "dip told falsely"
                dips[which].append(bool(near) if spec.dips else line.at is not None)
    print(
        f"points away from the truth: {np.mean(away):.4f} ppm, rms {np.std(away):.4f}"
    )
    return errors, {what: seen for what, seen in dips.items() if seen}


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("sequence")
    parser.add_argument("seed", type=int)
    parser.add_argument("--scale", type=float, default=60.0)
    parser.add_argument("--db", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = given.db
        if path is None:
            path, took_s = qualified_rack(
                given.sequence, given.seed, given.scale, Path(folder)
            )
            print(f"took {took_s:.0f} s at {given.scale:g} times the pace")
        print(f"{given.sequence}, {DEVICES} devices over sockets, seed {given.seed}")
        print("\n".join(table(*judged(path, given.seed))))


if __name__ == "__main__":
    main()
