"""Pages of readings as text are what each reading by itself would be written as."""

import json
import math
import sys
from dataclasses import replace
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.exchange.export.reading_texts import csv_rows, json_rows, utc_text
from benchlog.exchange.spreadsheet_cells import cell
from benchlog.store.logged_tables import READINGS, LoggedRows
from benchlog.units import offset_ppm

WHOLE = st.integers(-(2**63), 2**63 - 1)
FLOATS = st.floats(allow_nan=False, allow_infinity=False)
UTC = st.one_of(st.none(), WHOLE, st.just(-(2**63)), st.integers(0, 2**61))
TEXTS = st.one_of(st.none(), st.text(max_size=5), st.sampled_from(["", "=1", "16e6"]))
GATES = st.sampled_from([0.0, -0.0, 0.1, 1.0, 1e-300])
AMBIENT = st.one_of(st.none(), st.sampled_from([0.0, -0.0, 25.0, 25.5]), FLOATS)


@st.composite
def rows(draw):
    """Draw rows of one page: each column is alike in all of them, or not."""
    count = draw(st.integers(1, 8))

    def column(values):
        alike = draw(st.booleans())
        return [draw(values)] * count if alike else [draw(values) for _ in range(count)]

    kinds = (WHOLE, WHOLE, UTC, WHOLE, GATES, FLOATS.filter(lambda x: x > 0), AMBIENT)
    columns = [column(kind) for kind in (*kinds, st.sampled_from([0, 1, 64]), TEXTS)]
    return list(zip(*columns, strict=True))


def one_line(row, nominal_hz, divider):
    """Return what the manual says of a line, made of one reading."""
    number, segment, utc, mono, gate, hertz, ambient, flags, raw = row
    cells = [
        str(number),
        str(segment),
        "" if utc is None else utc_text(utc),
        "" if utc is None else str(utc),
        str(mono),
        repr(gate),
        repr(hertz),
        "" if ambient is None else repr(ambient),
        str(flags),
        f"{offset_ppm(hertz * divider, nominal_hz):.9g}",
        cell(raw),
    ]
    return ",".join(cells) + "\n"


@settings(max_examples=300, deadline=None)
@given(rows(), st.sampled_from([1.0, 32768.0, 16e6, 5e-324]), st.sampled_from([1, 32]))
def test_a_page_of_csv_is_its_readings_one_by_one(found, nominal_hz, divider):
    page = LoggedRows(columns=READINGS.columns, rows=found)
    run = SimpleNamespace(nominal_hz=nominal_hz, divider=divider)
    assert csv_rows(page, run) == "".join(
        one_line(row, nominal_hz, divider) for row in found
    )


@settings(max_examples=300, deadline=None)
@given(rows())
def test_a_page_of_json_is_what_json_writes(found):
    """Held against the standard library's json (RFC 8259)."""
    page = LoggedRows(columns=READINGS.columns, rows=found)
    lines = [
        json.dumps({"row": "reading", **dict(zip(page.columns, row, strict=True))})
        for row in found
    ]
    written = json_rows(page)
    if written is None:  # a sum beyond all numbers
        assert (
            max(abs(one or 0) for row in found for one in row[4:7])
            > sys.float_info.max / 100
        )
    else:
        assert written == "".join(f"{line}\n" for line in lines)


@pytest.mark.parametrize("odd", [math.nan, math.inf, "1", b"1"])
def test_what_is_no_number_is_left_to_json(odd):
    row = (1, 1, None, 0, 1.0, odd, None, 0, None)
    assert json_rows(LoggedRows(columns=READINGS.columns, rows=[row])) is None


def test_columns_of_another_table_are_left_to_json():
    page = LoggedRows(columns=READINGS.columns[::-1], rows=[(None,) * 9])
    assert json_rows(page) is None
    assert json_rows(replace(page, rows=[])) == ""
