"""Simulated temperature runs: bodies of one and two lags, ramps, thermometers.

Prints the table of TEMPERATURE.md:

    PYTHONPATH=tests python tests/analysis/temperature_campaign.py 100
"""

import sys
from dataclasses import dataclass
from itertools import product

import numpy as np
from noise_makers import make
from seeds import seeded_generator

from benchlog.analysis.fitting.temperature import TemperatureData, fit_temperature
from benchlog.analysis.fitting.thermal_lag import lagging
from benchlog.analysis.laws import kind_law
from benchlog.model import Kind

LAW = kind_law(Kind.QUARTZ)
TRUTH = (LAW.linear_ppm_per_c, LAW.quadratic_ppm_per_c2, LAW.cubic_ppm_per_c3)


@dataclass(frozen=True, slots=True)
class Body:
    """How a device follows the air: time constants, and what the second one carries."""

    name: str
    lag_s: float
    second_s: float = 0.0
    share: float = 0.0

    def of(self, t_s, air_c):
        first = lagging(t_s, air_c, self.lag_s)
        if not self.share:
            return first
        second = lagging(t_s, air_c, self.second_s)
        return (1.0 - self.share) * first + self.share * second


BODIES = (
    Body("45 s", 45.0),
    Body("45 s and 400 s (30 %)", 45.0, 400.0, 0.3),
    Body("45 s and 900 s (10 %)", 45.0, 900.0, 0.1),
    Body("15 min", 900.0),
    Body("15 min and 2 min (30 %)", 900.0, 120.0, 0.3),
)
COURSES = ("step", "twice", "ramp", "ramps", "swing")


def air(course, t_s, rng):
    """Return a chamber's air: 20 C up, in a step, there and back, or slowly."""
    span, whole = 20.0, t_s[-1]
    low = rng.uniform(12, 18)
    at = rng.uniform(0.15, 0.3) * whole
    if course == "step":
        rise = (t_s > at).astype(float)
    elif course == "twice":
        rise = ((t_s > at) & (t_s < at + 0.4 * whole)).astype(float)
    elif course == "ramp":
        rise = np.clip((t_s - at) / (0.5 * whole), 0, 1)
    elif course == "ramps":
        up = np.clip((t_s - at) / (0.25 * whole), 0, 1)
        rise = up - np.clip((t_s - at - 0.35 * whole) / (0.25 * whole), 0, 1)
    else:
        rise = 0.5 - 0.5 * np.cos(2 * np.pi * (t_s - at) / (0.45 * whole))
    # the chamber itself goes there with 20 s
    return low + span * lagging(t_s, rise, 20.0) + 0.01 * rng.standard_normal(len(t_s))


def measured(body, course, rng, u_c=0.0, *, n=600, spacing_s=10.0, noise_ppm=0.01):
    """Return one run, and what the thermometer's errors make of it."""
    fine = np.arange(n * 5) * spacing_s / 5
    true_c = air(course, fine, rng)
    device_c = body.of(fine, true_c)[::5]
    dt = device_c - 25.0
    ppm = 5 + sum(c * dt**k for k, c in enumerate(TRUTH, start=1))
    ppm = ppm + noise_ppm * make("white FM", rng, 1, n)[0]
    ppm += noise_ppm / 10 * make("flicker FM", rng, 1, n)[0]
    read_c = (
        true_c[::5] + rng.normal(0, u_c) + rng.normal(0, u_c / 25) * (true_c[::5] - 25)
    )
    return TemperatureData(fine[::5], np.round(read_c, 2), ppm, u_c or 1e-6)


def cell(body, course, runs, seed, u_c=0.0):
    """Return shares of the three intervals that hold, trusted ones, and widths."""
    rng = seeded_generator(seed)
    held, trusted, wide = [], [], []
    for _ in range(runs):
        fit = fit_temperature(measured(body, course, rng, u_c), "cubic")
        held.append(
            [a.low <= x <= a.high for a, x in zip(fit.coefficients, TRUTH, strict=True)]
        )
        trusted.append(getattr(fit, "trusted", True))
        wide.append(fit.coefficients[0].high - fit.coefficients[0].low)
    return np.array(held), np.array(trusted), float(np.median(wide)) / 2


def main(runs: int) -> None:
    print(
        "| body | air | thermometer u C | named not to be trusted "
        "| of the others: linear | quadratic | cubic | U ppm/C |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    cells = [*product(BODIES, COURSES, (0.0,)), *product(BODIES[:1], COURSES, (0.5,))]
    for seed, (body, course, u_c) in enumerate(cells):
        held, trusted, wide = cell(body, course, runs, seed, u_c)
        shares = held[trusted].mean(axis=0) if trusted.any() else np.full(3, np.nan)
        said = " | ".join(f"{100 * one:.0f} %" for one in shares)
        print(
            f"| {body.name} | {course} | {u_c:g} | {100 * (1 - trusted.mean()):.0f} % "
            f"| {said} | {wide:.2g} |",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
