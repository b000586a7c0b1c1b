"""What may become a reading: the recorder's one rule for all drivers."""

import pytest

from benchlog.model import Flag, Reading, Sample
from benchlog.recorder.run.acceptance import (
    Rejected,
    accept,
    fault_of,
    kept_text,
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
