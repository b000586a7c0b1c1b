"""Ageing where the room moved meanwhile: the drift is the device's, or it is told."""

import numpy as np
import pytest
from noise_makers import make
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.fitting.ageing import ageing
from benchlog.analysis.fitting.ageing_beside_ambient import (
    NO_AMBIENT,
    ageing_beside_ambient,
)
from benchlog.analysis.fitting.temperature import TemperatureData

DAYS = 20
PPM_PER_DAY = 0.05
PPM_PER_C = 1.2


def weeks(seed, ambient_moves=True, spacing_s=600.0):
    """A device of 1.2 ppm/C drifts by 0.05 ppm a day in a room that gets warmer."""
    rng = seeded_generator(seed)
    t_s = np.arange(0.0, DAYS * 86_400.0, spacing_s)
    days = t_s / 86_400.0
    ambient = np.full(len(days), 25.0)
    if ambient_moves:
        ambient = ambient + 0.1 * days + 1.5 * np.sin(2 * np.pi * days)
    ppm = PPM_PER_C * (ambient - 25.0) + PPM_PER_DAY * days
    ppm = ppm + 0.02 * make("flicker FM", rng, 1, len(days))[0]
    return TemperatureData(t_s, ambient, ppm)


def rate(found):
    return next(law for law in found if law.law == "linear").coefficients[0]


def test_a_room_that_gets_warmer_is_no_ageing():
    data = weeks(1)
    days = data.t_s / 86_400.0
    fooled = rate(ageing(days, data.offset_ppm))
    assert fooled.high - fooled.low > 1.0  # the room's swing hides the drift
    found = ageing_beside_ambient(data, "line")
    told = rate((found.first, found.second))
    assert told.low < PPM_PER_DAY < told.high
    assert told.high - told.low < 0.02
    assert "taken out by a line" in found.ambient
    slope = np.polyfit(found.days, found.offset_ppm, 1)[0]
    assert slope == pytest.approx(PPM_PER_DAY, abs=0.01)


@pytest.mark.parametrize(("devices", "least"), [(3, 3), seldom(20, 17)])
def test_intervals_hold_the_drift(devices, least):
    """95 % intervals: of 20 devices at least 17 hold it (1.6 % to hold fewer)."""
    held = 0
    for seed in range(devices):
        found = ageing_beside_ambient(weeks(100 + seed, spacing_s=1_800.0), "line")
        told = rate((found.first, found.second))
        held += told.low < PPM_PER_DAY < told.high
    assert held >= least


def test_a_steady_room_and_an_unknown_one_are_told():
    found = ageing_beside_ambient(weeks(2, ambient_moves=False), "line")
    assert found.ambient == "ambient varied by 0 C only: nothing was taken out"
    told = rate((found.first, found.second))
    assert told.value == pytest.approx(PPM_PER_DAY, abs=0.01)
    data = weeks(2)
    unknown = TemperatureData(data.t_s, np.full_like(data.t_s, np.nan), data.offset_ppm)
    found = ageing_beside_ambient(unknown, "line")
    assert found.ambient == NO_AMBIENT
    assert found.days[-1] == pytest.approx(DAYS, rel=0.01)


def test_readings_without_ambient_are_left_out_and_counted():
    data = weeks(3)
    data.ambient_c[100:130] = np.nan
    found = ageing_beside_ambient(data, "line")
    assert "30 readings without ambient are left out" in found.ambient
    assert len(found.days) == len(data.t_s) - 30
