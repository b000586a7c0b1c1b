"""Digits in groups that a blank of one octet parts: files in ISO 8859."""

import pytest

HEAD = "time (s)\tfreq [Hz]\ttemp \u00b0C\n"
ROWS = "".join(f"{i},0\t16\u00a0000\u00a0001,5\t20,4\n" for i in range(4))


@pytest.mark.parametrize("encoding", ["latin-1", "cp1252", "utf-8"])
def test_groups_of_digits_are_one_number_in_any_encoding(bring, encoding):
    """Before, the temperature beside it was taken for the frequency: a clear fail."""
    _, columns, _ = bring((HEAD + ROWS).encode(encoding))
    assert columns.frequency_hz.tolist() == [16000001.5] * 4
    assert columns.ambient_c.tolist() == [20.4] * 4
