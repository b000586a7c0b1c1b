"""One style of numbers: digits as many as the interval is worth, in groups of three."""

import pytest

from benchlog.units import (
    as_stated,
    ends_texts,
    in_powers,
    interval_texts,
    signed_digits,
    three_digits,
    two_digits,
)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (30.0, "30"),
        (0.1, "0.1"),
        (1_234_567.0, "1,234,567"),
        (1e-5, "1e-5"),
        (-40.0, "-40"),
        (12.5, "12.5"),
    ],
)
def test_what_was_stated_is_printed_as_it_was(value: float, text: str) -> None:
    assert as_stated(value) == text
    assert float(text.replace(",", "")) == value


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1.80e-5, "1.80e-5"),
        (0.0009996, "0.00100"),
        (0.0123, "0.0123"),
        (9.996, "10.0"),
        (12_345.6, "12,346"),
        (0.0, "0"),
        (-0.5, "-0.500"),
    ],
)
def test_three_digits_small_ones_in_powers_of_ten(value: float, text: str) -> None:
    assert three_digits(value) == text


def test_two_digits_and_signs() -> None:
    assert (two_digits(0.0444), two_digits(3e-7)) == ("0.044", "3.0e-7")
    assert (signed_digits(1.8e-5), signed_digits(-7.0)) == ("+1.80e-5", "-7.00")


def test_an_interval_gives_the_digits_of_all_three() -> None:
    assert interval_texts(5.1234, 4.8, 5.5, signed=False) == ("5.12", "4.80", "5.50")
    assert interval_texts(-5.1234, -5.5, -4.8) == ("-5.12", "-5.50", "-4.80")
    small = interval_texts(9.66e-9, 8.5e-9, 1.083e-8, signed=False)
    assert small == ("9.7e-9", "8.5e-9", "1.08e-8")
    uneven = interval_texts(3.7063e-8, 2.0505e-8, 1.5716e-7, signed=False)
    assert uneven == ("3.71e-8", "2.05e-8", "1.57e-7")
    powers = interval_texts(0.0222, 0.0212, 0.0232, signed=False, powers=True)
    assert powers == ("2.22e-2", "2.12e-2", "2.32e-2")


def test_the_ends_of_a_range_and_powers_on_a_page() -> None:
    assert ends_texts(-4.5121, -4.4977) == ("-4.5121", "-4.4977")
    assert in_powers(three_digits(1.8e-5)) == "1.80 × 10⁻⁵"
