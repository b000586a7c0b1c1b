"""Frequencies and tolerances as people write them, exact to the bit.

The prefixes are those of the SI (BIPM SI Brochure, 9th edition, table 7): k, M, G; m is
milli there, and is refused because benches write it for mega.
"""

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as some

from benchlog.catalogue import part_from_mapping
from benchlog.errors import ConfigError
from benchlog.units import format_frequency, parse_frequency_hz, parse_tolerance_ppm


@pytest.mark.parametrize(
    ("text", "hz"),
    [
        ("16 MHz", 16_000_000.0),
        ("16e6", 16_000_000.0),
        ("12MHz", 12_000_000.0),
        ("16M", 16_000_000.0),
        ("32.768k", 32_768.0),
        ("32.768 kHz", 32_768.0),
        ("32 768 Hz", 32_768.0),
        ("16_000_000", 16_000_000.0),
        ("1 Hz", 1.0),
        (".5 hz", 0.5),
        ("1.2 GHz", 1.2e9),
        ("4K", 4000.0),
        ("\u00a025\u00a0MHz\n", 25e6),
    ],
)
def test_frequencies_as_people_write_them(text: str, hz: float) -> None:
    assert parse_frequency_hz(text) == hz


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("16m", "16 MHz for megahertz, or 0.016 Hz"),
        ("12 mhz", "12 MHz for megahertz"),
        ("16,000", "digits take no comma"),
        ("32,768 kHz", "decimals follow a point"),
        ("16 MMHz", "16 MHz, 32.768k, 16e6 or 1 Hz"),
        ("0x10", "write for example"),
        ("12 3", "write for example"),
        ("-1", "write for example"),
        ("nan", "write for example"),
        ("\u0661 Hz", "write for example"),
        ("", "write for example"),
        ("0 Hz", "above zero"),
        ("1e400", "finite"),
        ("1e-999", "above zero"),
        ("1e99999999999", "write for example"),
    ],
)
def test_what_is_ambiguous_or_none_is_refused_with_what_to_write(
    text: str, wanted: str
) -> None:
    with pytest.raises(ValueError, match=wanted):
        parse_frequency_hz(text)


@given(
    digits=some.integers(1, 10**12 - 1),
    exponent=some.integers(-12, 0),
    scale=some.sampled_from([0, 3, 6, 9]),
)
def test_a_frequency_as_it_is_printed_is_read_back(
    digits: int, exponent: int, scale: int
) -> None:
    hz = float(Fraction(digits) * Fraction(10) ** (exponent + scale))
    assert parse_frequency_hz(format_frequency(hz)) == hz


@given(some.integers(1, 10**15), some.sampled_from([("k", 3), ("M", 6), ("G", 9)]))
def test_no_prefix_costs_a_bit(digits: int, prefix: tuple[str, int]) -> None:
    sign, zeros = prefix
    text = f"{digits}e-6 {sign}Hz"
    exact = Fraction(digits) * Fraction(10) ** (zeros - 6)
    assert parse_frequency_hz(text) == float(exact)


@pytest.mark.parametrize(
    ("text", "ppm"),
    [
        ("20ppm", 20.0),
        ("20 PPM", 20.0),
        ("±30 ppm", 30.0),
        ("+-2.5ppm", 2.5),
        ("0.5 %", 5000.0),
        ("1e-6", 1.0),
        ("50 ppb", 0.05),
    ],
)
def test_tolerances_as_people_write_them(text: str, ppm: float) -> None:
    assert parse_tolerance_ppm(text) == ppm


@pytest.mark.parametrize("text", ["20", "0.5", "20 Hz", "-20ppm", "0,5 %", "0 ppm", ""])
def test_a_tolerance_without_unit_is_refused_with_examples(text: str) -> None:
    with pytest.raises(ValueError, match=r"20ppm, 0\.5 %|above zero"):
        parse_tolerance_ppm(text)


def part(**limits: Any) -> Any:
    described = {"id": "x", "title": "x", "kind": "quartz", "nominal_hz": "12 MHz"}
    return part_from_mapping({"part": described, "limits": limits}, "x.toml")


def test_a_file_may_hold_texts_where_numbers_are() -> None:
    found = part(tolerance_ppm="20ppm", stability_ppm="0.005 %", range_c=[-20, 70])
    assert found.nominal_hz == 12_000_000.0
    assert (found.limits.tolerance_ppm, found.limits.stability_ppm) == (20.0, 50.0)
    assert part(tolerance_percent="0.5 %") == part(tolerance_percent=0.5)


def test_a_file_with_an_ambiguous_text_is_told_what_to_write() -> None:
    with pytest.raises(ConfigError) as caught:
        part_from_mapping(
            {
                "part": {
                    "id": "x",
                    "title": "x",
                    "kind": "rc",
                    "nominal_hz": "16 mHz",
                },
                "limits": {"tolerance_ppm": "20"},
            },
            "x.toml",
        )
    said = {one.key: one.expected for one in caught.value.problems}
    assert "16 MHz for megahertz, or 0.016 Hz" in said["part.nominal_hz"]
    assert "20 ppm?" in said["limits.tolerance_ppm"]
