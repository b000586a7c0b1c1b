"""Digits in groups that a blank of one octet parts: files in ISO 8859."""

import pytest

from benchlog.errors import DataError

HEAD = "time (s)\tfreq [Hz]\ttemp \u00b0C\n"
ROWS = "".join(f"{i},0\t16\u00a0000\u00a0001,5\t20,4\n" for i in range(4))


@pytest.mark.parametrize("encoding", ["latin-1", "cp1252", "utf-8"])
def test_groups_of_digits_are_one_number_in_any_encoding(bring, encoding):
    """Before, the temperature beside it was taken for the frequency: a clear fail."""
    _, columns, _ = bring((HEAD + ROWS).encode(encoding))
    assert columns.frequency_hz.tolist() == [16000001.5] * 4
    assert columns.ambient_c.tolist() == [20.4] * 4


def lines_of(head, datum):
    return head + "".join(f"{i}.0;{datum};{20 + i / 10}\n" for i in range(5))


@pytest.mark.parametrize(
    ("head", "datum"),
    [
        ("time;frequency [Hz];temp\n", "16x000x001"),
        ("time;frequency [Hz];temp\n", "16\u2060000\u2060001"),
        ("time;freq;gate s\n", "1.6e7.5"),
        ("time;freq;humidity\n", "no signal"),
    ],
)
def test_no_other_column_stands_in_for_one_that_cannot_be_read(bring, head, datum):
    """Before, the column beside it was judged: a clear fail, or pass of a kHz part."""
    with pytest.raises(DataError, match=r"column 2, 'freq.*--column"):
        bring(lines_of(head, datum).encode())


def test_a_temperature_is_never_taken_for_the_frequency(bring):
    with pytest.raises(DataError, match="no numbers found"):
        bring(lines_of("time;state;temp [C]\n", "ok").encode())


def test_words_in_a_named_column_are_let_be(bring):
    text = lines_of("time;freq counter;value\n", "bench counter")
    _, columns, _ = bring(text.replace(";20", ";16000000").encode())
    assert len(columns) == 5
