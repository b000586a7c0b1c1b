"""What a second gate tells: slopes of white FM, white PM, and white PM averaged.

NIST SP 1065, 5.2 and 5.5 (from memory): sigma_y falls as tau^-1/2 under white FM and as
tau^-1 under white PM, mod sigma_y as tau^-3/2 under white PM.
"""

import pytest
from seeds import seeded_generator

from benchlog.model import Counting, Sample
from benchlog.verdict.run.counter.longer_gate import (
    FEWEST,
    LONGER,
    readings_at,
    scatter_fall,
)

SHORT_S = 0.02
NAMED = {
    "white FM": (0.5, "white FM of the device"),
    "white PM": (1.0, "stamps that each gate has for itself"),
    "averaged white PM": (1.5, "averages within its gate"),
}


def series(rng, gate_s, power, n, apart=1.0):
    """Return `n` readings of a gate, whose scatter is 1 Hz at `SHORT_S`."""
    hz = 16e6 + rng.normal(size=n) * (SHORT_S / gate_s) ** power
    spacing_ns = round(apart * gate_s * 1e9)
    return [
        Sample(float(one), "Hz", at * spacing_ns, 0, gate_s, step=1e-4)
        for at, one in enumerate(hz)
    ]


def fall(rng, power, n=100, stated=None):
    short = series(rng, SHORT_S, power, n)
    long = series(rng, LONGER * SHORT_S, power, n)
    return scatter_fall(short, long, stated or Counting())


@pytest.mark.parametrize("noise", NAMED)
def test_each_noise_is_named_and_hardly_ever_another_one(noise):
    power, words = NAMED[noise]
    rng, runs = seeded_generator(11), 400
    found = [fall(rng, power) for _ in range(runs)]
    named = sum(words in one.text for one in found)
    wrong = sum(one.powers not in ((), (power,)) for one in found)
    held = sum(one.low <= LONGER**power <= one.high for one in found)
    assert held / runs == pytest.approx(0.95, abs=0.03)
    assert named / runs > 0.91
    assert wrong / runs < 0.01


def test_few_readings_name_another_noise_no_more_often_than_their_interval_misses():
    rng, runs = seeded_generator(12), 1000
    found = [fall(rng, 1.0, FEWEST) for _ in range(runs)]
    wrong = sum(one.powers in ((0.5,), (1.5,)) for one in found)
    assert wrong / runs < 0.07  # 5 % and three times its own sd
    assert sum(len(one.powers) > 1 for one in found) > 0


def test_what_is_between_or_slower_has_no_name_of_one_noise():
    rng = seeded_generator(13)
    assert "slower than white FM" in fall(rng, 0.0).text
    assert "between what one noise alone would do" in fall(rng, 0.75).text


def test_a_mode_that_is_stated_is_said_to_be_as_stated():
    rng = seeded_generator(14)
    assert "as stated" in fall(rng, 1.5, stated=Counting(mode="regression")).text
    assert "in the bench file" in fall(rng, 1.5).text


def test_a_gate_that_was_not_taken_over_tells_nothing():
    rng = seeded_generator(15)
    short = series(rng, SHORT_S, 1.0, 50)
    # it says a gate of 80 ms, and goes on answering every 20 ms
    assert scatter_fall(short, series(rng, 0.08, 1.0, 50, 0.25), Counting()) is None
    assert scatter_fall(short, short, Counting()) is None
    assert scatter_fall(short, [], Counting()) is None
    alike = [Sample(1e6, "Hz", at * 80_000_000, 0, 0.08) for at in range(50)]
    assert scatter_fall(short, alike, Counting()) is None


def test_a_second_series_takes_eight_seconds_at_most():
    for gate_s in (1e-3, 0.02, 0.08, 0.2, 0.4):
        assert FEWEST <= readings_at(gate_s) <= 8.0 / gate_s
    assert readings_at(0.41) == 0
