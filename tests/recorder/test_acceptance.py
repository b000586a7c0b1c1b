"""What may become a reading: the recorder's one rule for all drivers."""

import math
from dataclasses import replace

import pytest

from benchlog.model import Flag, Reading, Sample
from benchlog.recorder.run.acceptance import (
    Plausibility,
    Rejected,
    accept,
    fault_of,
    is_far,
    kept_text,
    span_ppm,
    suspected_multiple,
)


def sample(value=16e6, mono_ns=2_000, raw=b"1.6E7", unit="Hz"):
    return Sample(value, unit, mono_ns, 10**18, 0.1, raw)


def test_a_plausible_sample_becomes_a_reading_unchanged():
    reading = accept(sample(16_000_123.5), 1_000, Flag.GAP_BEFORE, 24.5)
    assert isinstance(reading, Reading)
    assert reading.frequency_hz == 16_000_123.5
    assert (reading.ambient_c, reading.flags) == (24.5, Flag.GAP_BEFORE)


@pytest.mark.parametrize(
    ("bad", "reason"),
    [
        (sample(float("nan")), "not finite"),
        (sample(float("inf")), "not finite"),
        (sample(0.0), "not above zero"),
        (sample(-1.0), "not above zero"),
        (sample(unit="s"), "unit"),
        (sample(mono_ns=1_000), "time not increasing"),
        (sample(mono_ns=999), "time not increasing"),
    ],
)
def test_an_impossible_sample_is_rejected_with_the_reason(bad, reason):
    result = accept(bad, 1_000, Flag.NONE, None)
    assert isinstance(result, Rejected)
    assert reason in result.reason


def test_the_first_sample_has_none_to_follow_on():
    assert fault_of(sample(mono_ns=-5), None) == ""


# Common practice, no source: twice or half the nominal means trigger level, ringing or
# a forgotten divider.
@pytest.mark.parametrize(
    ("ratio", "multiple"),
    [(2.0, 2.0), (0.5, 0.5), (10.0, 10.0), (0.1, 0.1), (2.001, 2.0), (1.0, None),
     (1.00003, None), (1.5, None), (3.3, None)],
)  # fmt: skip
def test_a_simple_multiple_of_nominal_is_suspected(ratio, multiple):
    assert suspected_multiple(16e6 * ratio, 16e6, 30.0) == multiple


def test_a_coarse_part_is_not_suspected_within_its_own_tolerance():
    assert suspected_multiple(8e6 * 0.9, 8e6, 100_000.0) is None
    assert suspected_multiple(8e6 * 1.85, 8e6, 100_000.0) == 2.0


# Our rule: 100 times the tolerance; what came in unflagged before it.
@pytest.mark.parametrize(
    ("hz", "tolerance_ppm", "far"),
    [
        (16_000_123.0, 30.0, False),
        (16e6 * 1.0029, 30.0, False),  # a bad device, and plausible
        (16e6 * 1.0031, 30.0, True),
        (16e6 / 1.0031, 30.0, True),
        (0.1, 30.0, True),  # the gate, as the answer to another question
        (16e9, 30.0, True),
        (56e6, 30.0, True),  # one bit of the first digit
        (16e6 * 1.00005, 0.01, False),  # an oven that warms up
        (8e6, 10_000.0, False),  # an RC oscillator of 1 % that runs at half
        (16e6 * 5, 100_000.0, False),  # of 10 %: all but nonsense is plausible
        (0.1, 100_000.0, True),
        (16e6 * 500, math.inf, False),
        (0.1, math.inf, True),
    ],
)
def test_a_reading_far_beyond_the_tolerance_is_implausible(hz, tolerance_ppm, far):
    within_ppm = span_ppm(tolerance_ppm, None, trial=False)
    assert is_far(hz, 16e6, within_ppm) == far


def test_a_stated_span_goes_before_and_codes_on_trial_have_room():
    assert span_ppm(30.0, 500.0, trial=True) == 500.0
    assert not is_far(12e6, 16e6, span_ppm(1.0, None, trial=True))
    assert is_far(12e6, 16e6, span_ppm(1.0, None, trial=False))


def plausibility(plan_for, **position):
    plan = plan_for("stranger-steady")
    return Plausibility(plan, replace(plan.bench.positions[0], **position))


def of(plausible, hz, **when):
    return plausible.of(hz, **{"trial": False, "settling": False, **when})


def test_far_readings_are_flagged_and_told_when_they_begin(plan_for):
    plausible = plausibility(plan_for)
    mark, said = of(plausible, 0.1)
    assert mark == Flag.SUSPECT | Flag.FAR
    assert "reads 0.1 Hz where 16 MHz is expected, beyond 100 times" in said
    assert of(plausible, 0.1) == (mark, "")
    assert of(plausible, 16e6) == (Flag.NONE, "")
    assert of(plausible, 16e9) == (mark, "")  # soon again: flagged, and told before
    assert [of(plausible, 16e6) for _ in range(10)] == [(Flag.NONE, "")] * 10
    assert of(plausible, 56e6)[1].startswith("reads 56 MHz where")


def test_a_multiple_stays_a_matter_of_divider_and_trigger(plan_for):
    mark, said = of(plausibility(plan_for), 32e6)
    assert mark == Flag.SUSPECT
    assert "near 2 times" in said


def test_the_divider_and_the_stated_span_of_the_position_count(plan_for):
    plausible = plausibility(plan_for, divider=16.0, span_ppm=200.0)
    assert of(plausible, 1e6) == (Flag.NONE, "")
    mark, said = of(plausible, 1e6 * 1.0003)
    assert mark & Flag.FAR and "beyond the span of 200 ppm" in said


def test_nothing_is_told_while_a_device_settles(plan_for):
    plausible = plausibility(plan_for)
    assert of(plausible, 5e6, settling=True) == (Flag.SUSPECT | Flag.FAR, "")
    assert of(plausible, 5e6)[1]


@pytest.mark.parametrize(
    ("value", "raw", "kept"),
    [
        (16e6, b"1.6E7\n", None),
        (16000000.25, b"16000000.25", None),
        (1 / 6.25e-8, b"6.25E-8", "6.25E-8"),  # a period: the number is derived
        (1e7, b"10000000.0000000001", "10000000.0000000001"),  # beyond a float64
        (2.0, b"\x1b[2J2.0", "\\x1b[2J2.0"),  # hostile text is made visible
        (2.0, b"", None),
    ],
)
def test_the_text_is_kept_where_the_number_would_lose_something(value, raw, kept):
    assert kept_text(sample(value, raw=raw)) == kept
