"""SCPI-1999 volume 1 and IEEE 488.2: headers, paths, program data."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tiers import seldom

from benchlog.simulate.instruments.scpi_syntax import (
    ScpiError,
    boolean,
    channel,
    header_pattern,
    numeric,
    parse_unit,
    split_outside,
    string,
    word,
)

ANY = (-1e30, 1e30, 0.0)


def code_of(call, *args) -> int:
    with pytest.raises(ScpiError) as caught:
        call(*args)
    return caught.value.code


# SCPI-1999 vol. 1, 6.2.1: long or short form, nothing between; case does not matter;
# optional nodes may be left out; a numeric suffix of 1 is the default (6.2.5.2).
@pytest.mark.parametrize(
    ("text", "matches"),
    [
        ("SENSE:FREQUENCY:APERTURE", True),
        ("SENS:FREQ:APER", True),
        ("FREQ:APER", True),
        ("sense:Freq:aperture", True),
        ("SENS1:FREQ:APER", True),
        ("SENSE:FREQU:APER", False),
        ("SEN:FREQ:APER", False),
        ("SENS:FREQ", False),
        ("SENS:FREQ:APER:X", False),
    ],
)
def test_forms_of_a_header(text, matches):
    pattern = header_pattern("[SENSe:]FREQuency:APERture")
    assert bool(pattern.fullmatch(parse_unit(text).path)) == matches


def test_numeric_suffix_is_handed_over():
    pattern = header_pattern("INPut#:COUPling")
    assert pattern.fullmatch("INP2:COUP").groups() == ("2",)
    assert pattern.fullmatch("INPUT:COUPLING").groups() == ("",)


# IEEE 488.2, 7.7.2: NR1, NR2, NR3 and white space before the exponent; 7.7.3 suffixes;
# SCPI-1999 vol. 1, 7.2: MHZ is megahertz, MS milliseconds, MOHM megohm.
@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("1", "S", 1.0),
        ("+0.1", "S", 0.1),
        (".5", "S", 0.5),
        ("1.E-3", "S", 1e-3),
        ("1 e-3", "S", 1e-3),
        ("10 MS", "S", 0.01),
        ("10ms", "S", 0.01),
        ("16 MHZ", "HZ", 16e6),
        ("1 MOHM", "OHM", 1e6),
        ("MIN", "S", -1e30),
        ("maximum", "S", 1e30),
        ("DEF", "S", 0.0),
    ],
)
def test_numbers(text, unit, value):
    assert numeric(text, unit, ANY) == pytest.approx(value)


# SCPI-1999 vol. 2, 21.8: what is wrong decides the code.
@pytest.mark.parametrize(
    ("text", "unit", "code"),
    [
        ("1,0x", "S", -121),
        ("abc", "S", -104),
        ("1 V", "S", -131),
        ("1 S", "", -138),
        ("1E99999", "S", -123),
        ("1" * 300, "S", -124),
        ("5", "S", -222),
    ],
)
def test_faulty_numbers(text, unit, code):
    assert code_of(numeric, text, unit, (0.0, 2.0, 1.0)) == code


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("FREQ\x01:APER", -101),
        ("FREQ\u00e9", -101),
        ("1FREQ", -110),
        (":", -110),
        ("*", -110),
        ("FREQ@1", -111),
        ("ABCDEFGHIJKLM", -112),
    ],
)
def test_faulty_headers(text, code):
    assert code_of(parse_unit, text) == code


def test_words_booleans_channels_strings():
    assert word("external", ("INTernal", "EXTernal")) == "EXT"
    assert code_of(word, "EXTE", ("INTernal", "EXTernal")) == -224
    assert [boolean(t) for t in ("on", "OFF", "1", "0", "0.6")] == [1, 0, 1, 0, 1]
    assert channel("(@2)") == 2
    assert code_of(channel, "(@1:2)") == -171
    assert string("'FREQ 1'") == "FREQ 1"
    assert code_of(string, '"FREQ') == -151


def test_separators_inside_quotes_and_lists_do_not_split():
    assert list(split_outside('FUNC "a;b";READ?', ";")) == ['FUNC "a;b"', "READ?"]
    assert list(split_outside("1,(@1,2),'x,y'", ",")) == ["1", "(@1,2)", "'x,y'"]


@pytest.mark.parametrize("examples", [60, seldom(200)])
def test_any_text_is_a_unit_or_a_scpi_error(examples):
    @settings(max_examples=examples, deadline=None)
    @given(st.text(max_size=60))
    def of(text):
        try:
            unit = parse_unit(text)
        except ScpiError as error:
            assert -200 < error.code < -100
        else:
            assert unit.path.isupper()

    of()


@pytest.mark.parametrize("examples", [60, seldom(200)])
def test_any_text_is_a_number_in_range_or_a_scpi_error(examples):
    @settings(max_examples=examples, deadline=None)
    @given(
        st.one_of(
            st.text(max_size=40),
            st.from_regex(r"[+-]?\d{1,5}(\.\d*)?([eE][+-]?\d{1,6})? ?[a-zA-Z]{0,3}"),
        ),
        st.sampled_from(["S", "HZ", "V", "OHM", ""]),
    )
    def of(text, unit):
        try:
            value = numeric(text, unit, (0.0, 10.0, 1.0))
        except ScpiError:
            return
        assert 0.0 <= value <= 10.0

    of()
