"""No reply becomes a number unless it is one: properties over thousands of replies."""

import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from tiers import seldom

from benchlog.driver_kit.numbers import parse_number, parse_reply
from benchlog.errors import (
    GarbledError,
    InstrumentError,
    NoSignalError,
    OverloadError,
)
from benchlog.model import Dialect

PLAIN = Dialect(name="plain", talks="scpi")
DIGITS = "0123456789"


def is_nrf(text: str) -> bool:
    """Recognise IEEE 488.2 NR1, NR2, NR3 by walking, not by a regular expression."""

    def number(body: str, *, point: bool) -> bool:
        body = body[1:] if body[:1] in "+-" else body
        whole, dot, fraction = body.partition(".")
        if dot and not point:
            return False
        return bool(whole + fraction) and all(ch in DIGITS for ch in whole + fraction)

    mantissa, e, exponent = text.partition("E" if "E" in text else "e")
    return number(mantissa, point=True) and (not e or number(exponent, point=False))


replies = st.one_of(
    st.binary(max_size=40),
    st.text(alphabet="0123456789+-.eE nafiINF_,x\t", max_size=20).map(str.encode),
    st.text(max_size=12).map(lambda text: text.encode("utf-8", "replace")),
)


@pytest.mark.parametrize("examples", [130, seldom(400)])
def test_only_complete_finite_numbers_pass(examples: int) -> None:
    # door_replies of tests/fuzz goes on
    @settings(max_examples=examples, deadline=None)
    @given(replies)
    @example(b"")
    @example(b"1e400")
    @example("１６".encode())
    @example(b"1_0")
    def of(reply: bytes) -> None:
        try:
            number = parse_reply(reply + b"\n", PLAIN, "Hz")
        except InstrumentError as error:
            assert error.raw == reply + b"\n"
            return
        text = reply.decode("ascii").strip(" \t\r\n")
        assert is_nrf(text)
        assert number.value == float(text)
        assert math.isfinite(number.value) and abs(number.value) < 9.9e37

    of()


@settings(max_examples=200, deadline=None)
@given(
    st.integers(0, 10**15),
    st.integers(0, 12),
    st.integers(-15, 15),
    st.sampled_from("eE"),
)
def test_numbers_come_back_with_their_last_digit(
    digits: int, places: int, power: int, e: str
) -> None:
    text = f"{digits:016d}"
    cut = len(text) - places
    written = f"+{text[:cut]}.{text[cut:]}{e}{power:+03d}"
    number = parse_number(written)
    assert number is not None
    assert number.value == float(written)
    assert number.step == pytest.approx(10.0 ** (power - places), rel=1e-9)


@pytest.mark.parametrize(
    ("text", "step"),
    [("16000000", 1.0), ("15999852.0", 0.1), ("1.600000E7", 10.0), ("1.6E-08", 1e-9)],
)
def test_step_is_the_worth_of_the_last_digit(text: str, step: float) -> None:
    number = parse_number(text)
    assert number is not None and number.step == pytest.approx(step)


# SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5 (facts.md section 6)
@pytest.mark.parametrize("text", [b"9.91E37", b"+9.91000000E+37", b"9.91E+037"])
def test_not_a_number_is_no_signal(text: bytes) -> None:
    with pytest.raises(NoSignalError) as caught:
        parse_reply(text + b"\n", PLAIN, "Hz")
    assert caught.value.raw == text + b"\n"


@pytest.mark.parametrize("text", [b"9.9E37", b"-9.9E37", b"9.90000000E+37", b"1E99"])
def test_infinity_is_overload(text: bytes) -> None:
    with pytest.raises(OverloadError):
        parse_reply(text + b"\n", PLAIN, "Hz")


def test_a_code_is_a_code_before_any_scale() -> None:
    milli = Dialect(name="m", talks="scpi", scale=1e-3)
    with pytest.raises(OverloadError):
        parse_reply(b"9.9E37\n", milli, "Hz")


def test_words_of_the_dialect() -> None:
    talker = Dialect(
        name="t", talks="line", no_signal=("no signal", "0"), overload=("OL",)
    )
    with pytest.raises(NoSignalError):
        parse_reply(b" NO Signal\r\n", talker, "Hz")
    with pytest.raises(NoSignalError):
        parse_reply(b"0\n", talker, "Hz")
    with pytest.raises(OverloadError):
        parse_reply(b"ol\n", talker, "Hz")


def test_period_becomes_frequency_with_its_step() -> None:
    """d(1/T) = dT / T^2: 10 ps of 100 us is 1 mHz of 10 kHz."""
    period = Dialect(name="p", talks="scpi", unit="s")
    number = parse_reply(b"1.0000000E-04\n", period, "Hz")
    assert number.value == pytest.approx(1e4)
    assert number.step == pytest.approx(1e-3)


@pytest.mark.parametrize("text", [b"0", b"-1E-6", b"1E-320"])
def test_a_period_that_is_none(text: bytes) -> None:
    with pytest.raises(GarbledError):
        parse_reply(text + b"\n", Dialect(name="p", talks="scpi", unit="s"), "Hz")


def test_counts_in_reference_seconds() -> None:
    counts = Dialect(name="c", talks="line", unit="counts")
    number = parse_reply(b"160000030\n", counts, "Hz", gate_s=10.0)
    assert (number.value, number.step) == (16_000_003.0, 0.1)


# Fixed points of the ITS-90 degree Celsius: 0 C = 273.15 K = 32 F
@pytest.mark.parametrize(
    ("unit", "text", "celsius"),
    [("K", b"273.15", 0.0), ("F", b"32.0", 0.0), ("F", b"212.0", 100.0)],
)
def test_temperatures(unit: str, text: bytes, celsius: float) -> None:
    dialect = Dialect(name="t", talks="scpi", unit=unit)
    assert parse_reply(text, dialect, "C").value == pytest.approx(celsius, abs=1e-9)
