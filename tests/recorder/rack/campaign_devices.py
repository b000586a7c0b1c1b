"""The racks of a campaign: devices whose noise, law, hysteresis and dips all matter."""

from dataclasses import replace

from seeds import seeded_random

from benchlog.model import TemperatureLaw
from benchlog.simulate.physics.noise import Noise
from benchlog.simulate.physics.rack_device import DipSpec
from benchlog.simulate.rack_scenario import rack_scenario

GATE_PPM = 0.01
"""Scatter of one gate of 1 s, white FM; beside it flicker FM of a tenth of that."""
DIP = 3.0
"""Depth of a dip, in scatters of one gate."""
WITH_DIP = 0.5
PLACE_C = 0.08
"""How much warmer a place is than the probe, standard deviation: what the bench file
states of the probe (`u_c`)."""
REFERENCE_C = 25.0


def campaign_scenario(part, devices, seed):
    """Return a rack of drawn devices; half have a dip of three times the noise.

    What is stated is drawn as it is stated: the time base from its rectangle, the
    places from a normal distribution of the probe's u, at all temperatures alike.
    """
    plain = rack_scenario(part, devices, seed)
    chance = seeded_random(f"rack campaign {seed}")
    return replace(
        plain,
        devices=tuple(_drawn(one, chance) for one in plain.devices),
        chamber=replace(plain.chamber, gradient_c=0.0),
    )


def place_off_c(spec):
    """Return how much warmer a device's place is than the probe.

    A place that is warmer is a law, and dips, that are as much lower in temperature.
    """
    return REFERENCE_C - spec.oscillator.law.reference_c


def _drawn(spec, chance):
    warmer_c = chance.gauss(0.0, PLACE_C)
    law = TemperatureLaw(
        law="cubic",
        reference_c=REFERENCE_C - warmer_c,
        linear_ppm_per_c=chance.gauss(-0.004, 0.002),
        cubic_ppm_per_c3=chance.uniform(1e-6, 3e-6),
    )
    oscillator = replace(
        spec.oscillator,
        law=law,
        noise=Noise(white_fm=GATE_PPM * 1e-6, flicker_fm=0.1 * GATE_PPM * 1e-6),
    )
    dip = DipSpec(
        at_c=chance.uniform(-30.0, 75.0) - warmer_c,
        depth_ppm=DIP * GATE_PPM,
        width_c=chance.uniform(3.0, 5.0),
    )
    has_dip = chance.random() < WITH_DIP
    return replace(spec, oscillator=oscillator, dips=(dip,) if has_dip else ())
