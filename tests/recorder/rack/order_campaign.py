"""No order outside the bounds reaches a setter: sequences, resumes, lies, faults.

    python tests/recorder/rack/order_campaign.py 10000 [SEED]

Each case draws a sequence with places anywhere, bounds of setters and sequence, and
how often instruments lie, refuse or are lost. The catalogue reads the sequence, it is
worked out for the part, the script takes two devices through it, is cut, and goes on
with a snapshot in which a number may have been changed. Wild orders are given to what
checks them in the setter's process, too. Every value that reached a setter is held
against the narrowest of what was drawn. The last result is kept in ORDERS.md.
"""

import copy
import math
import sys
import tomllib
from collections import Counter
from dataclasses import replace
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))

from recorder.rack.sequence_maker import (
    DRIVES,
    PART_RANGES,
    SETTERS,
    UntrueSetter,
    drawn_case,
)
from recorder.rack.virtual_rack import VirtualRack
from seeds import seeded_random

from benchlog.catalogue import bench_from_mapping, load_part, sequence_from_mapping
from benchlog.cli.tasks.qualifying import rack_bounds, rack_task
from benchlog.clock import VirtualClock
from benchlog.errors import ConfigError
from benchlog.model import Purpose, RunPlan
from benchlog.simulate.rack_scenario import bench_lines, rack_scenario
from benchlog.verdict.rack.bounds import part_ranges
from benchlog.verdict.rack.planned_steps import planned_steps

PART = load_part("vctcxo-10mhz-1ppm")
WILD = (1e300, -1e300, -273.2, 1e4, 0.0, -1.0, 5.0, 60.0, 3.3, 130.0)
_ROUNDS = 600
_NAMES = ("counter", "probe", "supply", "pulling", "scanner", "loads")


def _bench():
    addresses = dict.fromkeys(_NAMES, "tcp://127.0.0.1:9")
    addresses["chamber"] = "modbus://127.0.0.1:9"
    lines = bench_lines(rack_scenario(PART, 2), addresses)
    return bench_from_mapping(tomllib.loads("\n".join(lines)), Path("rack.toml"))


class Case:
    """One drawn case, gone through; `told` has all that reached a setter."""

    bench = _bench()

    def __init__(self, chance, counts):
        self.chance, self.counts, self.falsified = chance, counts, False
        self.case = drawn_case(chance)
        self.faults = chance.choice([0.0, 0.0, 0.02, 0.1])
        instruments = dict(self.bench.instruments)
        for drive, (low, high) in self.case.setter_bounds.items():
            spec = instruments[SETTERS[drive]]
            options = {**spec.options, "low": low, "high": high}
            instruments[spec.name] = replace(spec, options=options)
        self.bench = replace(self.bench, instruments=instruments)
        self.clock = VirtualClock()
        self.drivers = {
            name: UntrueSetter(spec.options, self.clock, chance, quantity, self.faults)
            for name, quantity in (
                ("chamber", "temperature"),
                ("supply", "voltage"),
                ("pulling", "voltage"),
                ("loads", "load"),
                ("scanner", "channel"),
            )
            for spec in [instruments[name]]
        }

    def go(self):
        """Begin, cut, go on; stop where something is refused."""
        task = self._task(self.case.document, 0)
        if task is None:
            self.counts["refused before anything was set"] += 1
            return
        ended = self._through(task)
        if ended:
            return
        self.counts["cut and gone on with"] += 1
        document = copy.deepcopy(self.case.document)
        if self.chance.random() < 0.5:
            self._falsify(document)
            self.counts["with a snapshot that was changed"] += 1
        last = max(0, len(task.steps) - 1)
        again = self._task(document, self.chance.randint(0, last))
        if again is not None:
            self._through(again)

    def _task(self, document, first):
        try:
            sequence = sequence_from_mapping(document, "drawn.toml")
            bounds = rack_bounds(PART, sequence, self.bench.positions, self.bench)
            steps = planned_steps(sequence, PART, bounds)
        except ConfigError:
            return None
        if first >= len(steps):
            return None
        plans = tuple(
            RunPlan(
                purpose=Purpose.QUALIFY,
                device=f"DUT-{position.name}",
                part=PART,
                position=position.name,
                bench=self.bench,
                software="",
            )
            for position in self.bench.positions
        )
        return rack_task(plans, sequence, steps, bounds, first)

    def _through(self, task):
        rack = VirtualRack(
            task,
            self.drivers,
            self.clock,
            count=lambda _: PART.nominal_hz * (1 + self.chance.gauss(0, 1e-8)),
            probe=lambda: self.drivers["chamber"].measured() + self.chance.gauss(),
            tick_s=10.0,
        )
        rounds = self.chance.choice([_ROUNDS, self.chance.randint(1, 60)])
        ended = rack.go(rounds, meanwhile=self._meddle)
        self.counts["rows of orders, one for each of two devices"] += sum(
            row.quantity.endswith(" ordered") for _, _, row in rack.conditions
        )
        self.counts[f"ended: {rack.how.split(':')[0] or 'cut'}"] += 1
        return ended

    def _meddle(self, rack):
        """Now and then, put a wild order straight in, or let a setter let go."""
        if self.chance.random() < 0.03:
            handle = self.chance.choice(list(rack.setters.values()))
            if handle.name != "scanner":
                self.counts["wild orders"] += 1
                value = self.chance.choice(WILD)
                # what a keeper gone mad might write; NaN is no JSON
                handle.set(self.chance.choice([value, str(value), None, True]))
        if self.chance.random() < 0.002:
            self.chance.choice(list(rack.setters.values())).let_go("a test")

    def _falsify(self, document):
        """Change numbers of a snapshot, as a merged or broken database might have."""
        document.pop("bounds", None)
        for step in document["step"]:
            for key, value in step.items():
                if isinstance(value, float) and key != "ramp_c_per_min":
                    step[key] = value * self.chance.choice([1.0, 10.0, -3.0])

    def outside(self):
        """Return what reached a setter beyond what the setter and the part allow.

        The sequence's own bounds count where its snapshot was left alone.
        """
        found = []
        for drive in DRIVES:
            low, high = self.case.narrowest[drive]
            if self.falsified:
                ends = PART_RANGES[drive], self.case.setter_bounds[drive]
                low, high = max(e[0] for e in ends), min(e[1] for e in ends)
            for value in self.drivers[SETTERS[drive]].told:
                if not (math.isfinite(value) and low <= value <= high):
                    found.append((drive, value, low, high))
        return found


def campaign(cases, seed):
    """Return how many values reached setters, those outside, and what happened."""
    stated = {str(drive): ends for drive, ends in part_ranges(PART).items()}
    assert stated == PART_RANGES
    counts, outside, told = Counter(), [], 0
    chance = seeded_random(seed)
    for number in range(cases):
        case = Case(seeded_case(chance), counts)
        falsified = counts["with a snapshot that was changed"]
        case.go()
        case.falsified = counts["with a snapshot that was changed"] > falsified
        outside += [(number, *one) for one in case.outside()]
        told += sum(len(case.drivers[name].told) for name in SETTERS.values())
    return told, outside, counts


def seeded_case(chance):
    """Return a generator of its own for each case, so that one can be made again."""
    return type(chance)(chance.getrandbits(64))


def main():
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    told, outside, counts = campaign(cases, seed)
    print(f"{cases} sequences, seed {seed}: {told} values reached a setter")
    print(f"outside what is allowed: {len(outside)} {outside[:5]}")
    for what, count in sorted(counts.items()):
        print(f"{count:9d}  {what}")
    sys.exit(bool(outside))


if __name__ == "__main__":
    main()
