"""What a step is put down to: the values of the bench around it, not a guess."""

import numpy as np
import pytest
from seeds import seeded_generator

from benchlog.model import Reading
from benchlog.recorder.run.reading_window import ReadingWindow

N, AT = 600, 403
SECOND = 1_000_000_000


def told(shape, ambient, volts=None):
    """Return what is said of steps in a run of 16 MHz, a reading and values a second.

    `shape` is in ppm; noise of 0.01 ppm is added.
    """
    ppm = shape + 0.01 * seeded_generator(4).standard_normal(N)
    recent, said = ReadingWindow(16e6, 1.0), []
    for t in range(N):
        if volts is not None:
            recent.step_cause.supply(float(t), float(volts[t]))
        hz = 16e6 * (1 + ppm[t] * 1e-6)
        reading = Reading(t * SECOND, t * SECOND, 1.0, hz, float(ambient[t]))
        if (step := recent.add(reading, None)) is not None:
            said.append(recent.step_cause.cause(recent.since_s(step)))
    return said


def after(tau_s=0.0):
    t = np.arange(N, dtype=float) - AT
    if not tau_s:
        return np.where(t >= 0, 1.0, 0.0)
    return np.where(t >= 0, 1 - np.exp(-np.maximum(t, 0) / tau_s), 0.0)


def test_a_knock_in_a_still_room_is_a_knock():
    (said,) = told(2.0 * after(), np.full(N, 22.6))
    assert said == "knocked, touched, or a change of its own"


def test_ambient_that_moved_is_said():
    """22.6 to 14.7 C between two readings."""
    (said,) = told(2.0 * after(), 22.6 - 7.9 * after())
    assert said.startswith("ambient went from 22.6 to 14.7 C around it; if that is")


def test_a_supply_that_moved_is_said():
    (said,) = told(2.0 * after(), np.full(N, 22.6), 3.3 - 0.5 * after())
    assert said.startswith("the supply went from 3.30 to 2.80 V around it")


@pytest.mark.parametrize("tau_s", [3.0, 5.0])
def test_a_smooth_rise_after_ambient_moved_is_no_step(tau_s):
    rise = 2.0 * after(tau_s)
    assert told(rise, 22.6 - 7.9 * after()) == []
    assert len(told(rise, np.full(N, 22.6))) == 1
