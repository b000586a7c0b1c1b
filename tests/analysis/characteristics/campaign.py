"""How often the interval of each characteristic holds what was simulated.

    python tests/analysis/characteristics/campaign.py [--devices 1000] [--seed 1]

Each device has a law, hysteresis, a dip, pulling and warm-up of its own; each noise is
made anew for it. Prints a table; the last one is kept in CHARACTERISTICS.md.
"""

import argparse
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from noise_makers import make
from seeds import seeded_generator

from benchlog.analysis.characteristics.changes import (
    changes_from,
    largest,
    steepest,
)
from benchlog.analysis.characteristics.dips import activity_dips
from benchlog.analysis.characteristics.hysteresis import hysteresis
from benchlog.analysis.characteristics.over_time import retrace, warm_up
from benchlog.analysis.characteristics.points import Found, Points, means_of_turns
from benchlog.analysis.characteristics.pulling import pulling
from benchlog.analysis.characteristics.sweep import Sweep

GATE_PPM = 0.02
"""Scatter of one gate."""
NOISES = {"white FM": ("white FM", 0.0), "+ flicker FM": ("flicker FM", 0.1)}
"""Beside white FM, another noise of this Allan variance at 20 gates, as a share."""


class Device:
    """One device with its noise; what it tells is a mean of gates in turns."""

    def __init__(self, rng, noise):
        self.rng = rng
        self.kind, self.share = NOISES[noise]

    def noise(self, gates):
        made = make("white FM", self.rng, 1, gates)[0]
        if self.share:
            # white FM has 1 / 20 at 20 gates, flicker FM of `make` about 2 ln 2
            scale = np.sqrt(self.share / 20 / (2 * np.log(2)))
            made = made + scale * make(self.kind, self.rng, 1, gates)[0]
        return GATE_PPM * made

    def points(self, at, values, gates, apart):
        """Measure each value for some gates, turns `apart` gates from each other."""
        noise = self.noise(len(values) * apart)
        turns = [
            value + noise[k * apart : k * apart + gates]
            for k, value in enumerate(values)
        ]
        means = means_of_turns(turns)
        return Points(
            t_s=np.arange(len(values)) * float(apart),
            at=np.asarray(at, float),
            offset_ppm=means.ppm,
            u_ppm=means.u_ppm,
            degrees_of_freedom=means.degrees_of_freedom,
            flicker_ppm=means.flicker_ppm,
            turn_s=float(gates),
        )


def five_temperatures(device, note):
    at = np.array([25.0, -40.0, -7.5, 25.0, 55.0, 85.0])
    line, bend, cube = device.rng.normal(size=3) * (1e-2, 1e-4, 1e-6)
    d = at - 25
    law = line * d + bend * d**2 + cube * d**3
    points = device.points(at, law, 20, 400)
    found = largest(changes_from(points.only(at != 25), points.only(at == 25)))
    note("frequency-temperature", found, np.abs(law).max())
    places = np.unique(at)
    slopes = np.diff(np.interp(places, np.sort(at), law[np.argsort(at)]))
    note("temperature-slope", steepest(points), np.abs(slopes / np.diff(places)).max())


def sweep(device, note, dip):
    rng = device.rng
    up = np.linspace(-40, 85, 25)
    at = np.concatenate([up[::-1], up])
    rising = np.arange(50) >= 25
    bow = abs(rng.normal()) * 0.05 * (1 - ((at - 22.5) / 62.5) ** 2)
    cube = rng.normal() * 1e-6 * (at - 25) ** 3
    place = rng.uniform(-30, 75)
    size = -3 * GATE_PPM if dip else 0.0
    dipped = size * np.exp(-0.5 * ((at - place) / 2.5) ** 2)
    values = cube + np.where(rising, bow, -bow) + dipped
    points = device.points(at, values, 10, 40)
    found = activity_dips(points).dips
    if dip:
        note.count("dip found", any(abs(one.at_c - place) < 4 for one in found))
    else:
        note.count("dip told falsely", bool(found))
        widest = 2 * np.abs(bow).max()
        way = np.where(rising, 1, -1)
        note("hysteresis", hysteresis(Sweep(points, way)), widest)


def after_power(device, note):
    rng = device.rng
    change = rng.normal() * 0.05
    points = device.points([0, 0], [0.0, change], 50, 400)
    first, second = (points.only(np.array([k])) for k in (0, 1))
    note("retrace", retrace(first, second), change)
    tau, much = rng.uniform(100, 400), rng.uniform(1, 3)
    t_s = np.arange(1, 121) * 30.0
    settled = GATE_PPM * float(np.mean(rng.standard_normal(20)))
    warming = Points(
        t_s=t_s,
        at=np.full(120, 25.0),
        offset_ppm=much * np.exp(-t_s / tau) + device.noise(120),
        u_ppm=np.full(120, GATE_PPM),
        degrees_of_freedom=100.0,
    )
    final = Found(value=settled, u=1.96 * GATE_PPM / np.sqrt(20), unit="ppm")
    note("warm-up", warm_up(warming, final, 0.3), tau * np.log(much / 0.3))


def control_voltage(device, note):
    rng = device.rng
    volts = np.linspace(0.5, 2.5, 11)
    steep, bend = 5 + rng.normal(), rng.normal() * 0.3

    def pulled(v):
        return steep * (v - 1.5) + bend * (v - 1.5) ** 2

    at = np.concatenate([[1.5], volts, [1.5]])
    points = device.points(at, pulled(at), 10, 12)
    centre = np.array([0, 12])
    found = pulling(points.only(np.arange(1, 12)), points.only(centre))
    truth = pulled(volts)
    note("adjustment-range", found.least, min(abs(truth[0]), abs(truth[-1])))
    away = truth - np.polyval(np.polyfit(volts, truth, 1), volts)
    note("linearity", found.linearity, 100 * np.abs(away).max() / np.ptp(truth))


class Tally:
    """Counts what held, by characteristic."""

    def __init__(self):
        self.held = defaultdict(list)

    def __call__(self, name, found, truth):
        self.count(name, abs(found.value - truth) <= found.u)

    def count(self, name, yes):
        self.held[name].append(bool(yes))

    def shares(self):
        return {name: float(np.mean(held)) for name, held in self.held.items()}


def campaign(devices, seed, noise):
    """Return the share of devices for which each characteristic held."""
    device, tally = Device(seeded_generator(seed), noise), Tally()
    for _ in range(devices):
        five_temperatures(device, tally)
        sweep(device, tally, dip=False)
        sweep(device, tally, dip=True)
        after_power(device, tally)
        control_voltage(device, tally)
    return tally.shares()


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--devices", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    tables = {noise: campaign(given.devices, given.seed, noise) for noise in NOISES}
    print(f"{given.devices} devices; held, in %")
    print(f"{'':24}" + "".join(f"{noise:>14}" for noise in NOISES))
    for name in next(iter(tables.values())):
        row = "".join(f"{100 * tables[noise][name]:14.1f}" for noise in NOISES)
        print(f"{name:24}{row}")


if __name__ == "__main__":
    main()
