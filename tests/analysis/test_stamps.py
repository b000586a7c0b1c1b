"""What the stamps of pulses add to a stability figure: made stamps of known scatter."""

import numpy as np
import pytest
from noise_makers import make
from seeds import seeded_generator

from benchlog.analysis.series import Series
from benchlog.analysis.stability.estimation import stability
from benchlog.analysis.stability.stamp_noise import stamp_noise


def phase_of(frequency, stamp_s, seed=1):
    """Phase in s of a clock of this fractional frequency, each point stamped badly."""
    clock = np.concatenate(([0.0], np.cumsum(frequency)))
    stamps = stamp_s * seeded_generator(seed).standard_normal(len(clock))
    return Series(clock + stamps, 1.0, "phase")


@pytest.mark.parametrize("stamp_s", [5e-5, 1e-3])
def test_stamps_rule_where_the_clock_is_quiet(stamp_s):
    quiet = phase_of(1e-9 * make("white FM", seeded_generator(2), 1, 1000)[0], stamp_s)
    found = stamp_noise(quiet)
    assert found.rms_s == pytest.approx(stamp_s, rel=0.06)
    assert found.until_s == stability(quiet).rows[-1].tau_s
    assert "not the clock's" in found.text
    # NIST SP 1065: white PM of s makes sqrt(3) s / tau
    row = stability(quiet).rows[3]
    assert row.value == pytest.approx(3**0.5 * stamp_s / row.tau_s, rel=0.06)


def test_the_clock_shows_where_it_is_more_restless():
    # stamps of 50 us: 3 s^2/tau^2; white FM of 1e-5: 1e-10/tau; alike at 75 s
    restless = 1e-5 * make("white FM", seeded_generator(3), 1, 20_000)[0]
    found = stamp_noise(phase_of(restless, 5e-5))
    assert found.rms_s == pytest.approx(5e-5, rel=0.03)
    assert found.until_s == 64.0
    assert "up to 1 min 04 s" in found.text


def test_a_clock_that_rules_from_the_beginning():
    walk = 1e-4 * make("random-walk FM", seeded_generator(4), 1, 500)[0]
    found = stamp_noise(phase_of(walk, 5e-5))
    assert found.until_s is None
    assert "latency of this computer" in found.text
