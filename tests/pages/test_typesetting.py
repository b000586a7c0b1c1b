"""One style of signs, times and powers on a page; what others wrote stays as it was."""

import pytest

from benchlog.pages.content import outside, printed
from benchlog.pages.typesetting import in_print
from benchlog.units import in_powers


@pytest.mark.parametrize(
    ("plain", "written"),
    [
        ("+8.0 ppm +- 1.2 ppm", "+8.0 ppm ± 1.2 ppm"),
        ("limit +-30 ppm", "limit ±30 ppm"),
        ("24.8 C (24.0 to 25.6 C)", "24.8 °C (24.0 to 25.6 °C)"),
        ("Ambient, C", "Ambient, °C"),
        ("+0.047 ppm/C at 25 C", "+0.047 ppm/°C at 25 °C"),
        ("ppm/C^2", "ppm/°C²"),
        ("ppm/C^3", "ppm/°C³"),
        ("120 pF/Cl", "120 pF/Cl"),
        ("at 25 +- 3 C", "at 25 ± 3 °C"),
        ("until 2030-03-17T17:46:40.000Z", "until 2030-03-17 17:46:40 UTC"),
        ("adev 3.41e-08 at 1 s", "adev 3.41 × 10⁻⁸ at 1 s"),
        ("`benchlog soak --resume 3` goes on", "benchlog soak --resume 3 goes on"),
        ("a fine grade of crystal, from memory.", "a fine grade of crystal."),
        ("no maker's part: from memory. What", "no maker's part. What"),
        ("52.3 us rms", "52.3 µs rms"),
        ("81% of the limit", "81 % of the limit"),
        ("load C1 and C of 3 CAN nodes", "load C1 and C of 3 CAN nodes"),
    ],
)
def test_our_own_texts(plain: str, written: str) -> None:
    assert in_print(plain) == written
    assert in_print(written) == written


@pytest.mark.parametrize(
    "theirs", ["KX+-3 C", "1e-06", "`rm`", "probe 3 C", "2030-03-17T17:46:40.000Z"]
)
def test_what_came_from_outside(theirs: str) -> None:
    assert in_print(printed(outside(theirs))) == theirs


@pytest.mark.parametrize(
    ("plain", "written"),
    [
        ("1e-09", "1 × 10⁻⁹"),
        ("2.5e+12", "2.5 × 10¹²"),
        ("KX1e5", "KX1e5"),
        ("0x1e-5", "0x1e-5"),
        ("-2e-09", "-2 × 10⁻⁹"),
        ("1e-09.", "1 × 10⁻⁹."),
        ("measure of KX-4e12 as", "measure of KX-4e12 as"),
        ("3e7-B", "3e7-B"),
        ("4e61x", "4e61x"),
        (
            "b06cd5cf-3b85-4e61-8de2-4b09a313ac37",
            "b06cd5cf-3b85-4e61-8de2-4b09a313ac37",
        ),
    ],
)
def test_powers(plain: str, written: str) -> None:
    assert in_powers(plain) == written
