"""A rack in a process of its own: python death_rack.py DEVICES SEED; ends at EOF.

As `benchlog simulate --rack` serves it, but for what would change a table by itself
where devices lose their power: they have no retrace, their hysteresis knows some tenths
of a degree of the way that temperature went, and the chamber does not overshoot.
"""

import json
import sys
from dataclasses import replace
from pathlib import Path

from benchlog.catalogue import load_part
from benchlog.clock import host_clock
from benchlog.simulate.rack_bench import SimulatedRack
from benchlog.simulate.rack_scenario import rack_scenario

PART = "vctcxo-10mhz-1ppm"


def main() -> None:
    """Serve it in the current folder until nobody holds standard input."""
    devices, seed = map(int, sys.argv[1:3])
    scenario = rack_scenario(load_part(PART), devices, seed)
    scenario = replace(
        scenario,
        devices=tuple(
            replace(one, retrace_ppm=0.0, hysteresis_c=0.15) for one in scenario.devices
        ),
        chamber=replace(scenario.chamber, damping=1.0, inertia_s=20.0),
    )
    with SimulatedRack(scenario, host_clock(), truth=Path("truth.jsonl")) as rack:
        Path("rack.toml").write_text(rack.bench_toml())
        print(json.dumps(rack.addresses()), flush=True)
        sys.stdin.read()


if __name__ == "__main__":
    main()
