"""How often activity dips are told: where there are some, and where there are none.

    python tests/analysis/characteristics/dip_campaign.py [--devices 1000] [--seed 1]

Each device has a law, a hysteresis that opens after each turn of the temperature, what
thermal lag leaves, and noise of its own. Depths are in standard uncertainties of a
point's offset against the smooth law: of the mean of its gates, with white and flicker
FM. The last table is kept in DIPS.md.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from analysis.characteristics.campaign import GATE_PPM, Device
from seeds import seeded_generator

from benchlog.analysis.characteristics.dips import activity_dips
from benchlog.simulate.physics.rack_device import DipSpec

LOW_C, HIGH_C = -40.0, 85.0
GATES, APART = 10, 40
NOISE = "+ flicker FM"
U_PPM = GATE_PPM * np.sqrt((1.0 + 0.1 * GATES / 20) / GATES)
"""Standard uncertainty of a point: white FM over its gates, flicker FM as in NOISES."""
NEAR_C = 6.0
"""So near to where it is a dip must be told to be found: about a spacing."""


def path(places):
    """Return the temperatures of a sweep: a first point, down, up, the reference."""
    down = np.linspace(HIGH_C, LOW_C, places)
    return np.concatenate([[HIGH_C], down, down[::-1], [25.0]])


# --- ways in which a hysteresis opens after a turn, each from -1 to 1


def exponential(at, rng):
    """As the simulated devices: by exp(-d / D) of the distance gone."""
    forgets_c, way = rng.uniform(5.0, 40.0), rng.uniform(-1, 1)
    ways = []
    for moved in np.diff(at, prepend=at[0]):
        side = np.sign(moved)
        kept = np.exp(-abs(moved) / forgets_c)
        way = side + (way - side) * kept if moved else way
        ways.append(way)
    return np.array(ways)


def plays(at, rng):
    """As many plays of a gear, of all widths to a largest (Preisach, from memory)."""
    half = np.linspace(0.25, rng.uniform(10.0, 30.0), 40)
    state, ways = at[0] + half * rng.uniform(-1, 1), []
    for here in at:
        state = np.clip(state, here - half, here + half)
        ways.append(np.mean((here - state) / half))
    return np.array(ways)


def bow(at, _):
    """As a loop that closes at both ends of the range, by a parabola."""
    moved = np.diff(at, prepend=at[0] + 1)
    return np.sign(moved) * (1 - ((at - 22.5) / 62.5) ** 2)


OPENINGS = {"exponential": exponential, "plays": plays, "bow": bow}


def device_points(device, places, opening, dips=()):
    """Return the points of one drawn device of a sweep."""
    rng, at = device.rng, path(places)
    # lag: a body that is still on its way when it is measured, but not at a stay
    d = at - 25 - rng.uniform(0.0, 0.05) * np.sign(np.diff(at, prepend=at[0]))
    law = rng.normal() * 4e-3 * d + rng.normal() * 1e-4 * d**2
    law += rng.uniform(1e-6, 3e-6) * d**3
    law += 0.15 * rng.lognormal(0, 0.7) * OPENINGS[opening](at, rng)
    for dip in dips:
        law -= dip.depth_ppm * np.exp(-0.5 * ((at - dip.at_c) / dip.width_c) ** 2)
    return device.points(at, law, GATES, APART)


def drawn_dip(rng, depth_u):
    """Return a dip of a depth, anywhere but at the ends of the range."""
    place, width = rng.uniform(-30.0, 75.0), rng.uniform(3.0, 5.0)
    return DipSpec(at_c=place, depth_ppm=depth_u * U_PPM, width_c=width)


def told_falsely(devices, rng, opening, places=25):
    """Return the share of devices without a dip of which one is told."""
    device = Device(rng, NOISE)
    return np.mean(
        [
            bool(activity_dips(device_points(device, places, opening)).dips)
            for _ in range(devices)
        ]
    )


def found(devices, rng, opening, depth_u, places=25):
    """Return the share of devices whose dip is found where it is."""
    device, seen = Device(rng, NOISE), []
    for _ in range(devices):
        dip = drawn_dip(rng, depth_u)
        search = activity_dips(device_points(device, places, opening, (dip,)))
        seen.append(any(abs(one.at_c - dip.at_c) < NEAR_C for one in search.dips))
    return np.mean(seen)


def deep(devices, rng, opening, depth_u, places=25):
    """Return the shares of deep dips told once, and of depths that their U holds."""
    device, once, held = Device(rng, NOISE), [], []
    for _ in range(devices):
        dip = drawn_dip(rng, depth_u)
        told = activity_dips(device_points(device, places, opening, (dip,))).dips
        once.append(len(told) == 1)
        if told:
            held.append(abs(told[0].size_ppm + dip.depth_ppm) <= told[0].u_ppm)
    return np.mean(once), np.mean(held)


def found_of_promised(devices, rng, opening, places=25):
    """Return the share found of dips that are as deep as `least_ppm` told of none."""
    device, seen = Device(rng, NOISE), []
    placed = seeded_generator(devices)
    for _ in range(devices):
        state = rng.bit_generator.state
        least = activity_dips(device_points(device, places, opening))
        if least.least_ppm is None:
            continue  # a false alarm: nothing was promised
        after = rng.bit_generator.state
        rng.bit_generator.state = state  # the same device, with a dip
        place = placed.uniform(-34.0, 79.0)
        dip = DipSpec(at_c=place, depth_ppm=least.least_ppm, width_c=least.width_c)
        search = activity_dips(device_points(device, places, opening, (dip,)))
        seen.append(any(abs(one.at_c - place) < NEAR_C for one in search.dips))
        rng.bit_generator.state = after
    return np.mean(seen)


def table(devices, seed):
    """Yield the lines of the result."""
    rng = seeded_generator(seed)
    yield f"{devices} devices a figure; 25 places a way; in % of devices"
    yield f"{'':34s}" + "".join(f"{one:>13s}" for one in OPENINGS)
    rows = {
        "dip told falsely": lambda one: told_falsely(devices, rng, one),
        **{
            f"found, {depth:g} u deep": lambda one, depth=depth: found(
                devices, rng, one, depth
            )
            for depth in (3, 4, 5, 6, 7, 8)
        },
        "found, as deep as is promised": lambda one: found_of_promised(
            devices, rng, one
        ),
    }
    for depth in (15, 30, 70):
        for what, which in (("told once", 0), ("its depth held", 1)):
            rows[f"{what}, {depth} u deep"] = lambda one, d=depth, k=which: deep(
                devices, rng, one, d
            )[k]
    for name, share in rows.items():
        yield f"{name:34s}" + "".join(f"{100 * share(one):13.1f}" for one in OPENINGS)
    yield ""
    yield "places a way, exponential opening" + "".join(
        f"{one:>9d}" for one in (25, 51, 76, 101)
    )
    for depth in (3, 4, 5):
        shares = [
            found(devices // 2, rng, "exponential", depth, places)
            for places in (25, 51, 76, 101)
        ]
        name = f"found, {depth} u deep"
        yield f"{name:33s}" + "".join(f"{100 * one:9.1f}" for one in shares)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--devices", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for line in table(given.devices, given.seed):
        print(line, flush=True)


if __name__ == "__main__":
    main()
