"""Pages of readings as text are what each reading by itself would be written as."""

import json
import math
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tiers import seldom

from benchlog.exchange.export.reading_chunks import Chunk
from benchlog.exchange.export.reading_texts import csv_rows, json_rows, utc_text
from benchlog.exchange.spreadsheet_cells import cell
from benchlog.model import Columns
from benchlog.store.logged_tables import READINGS
from benchlog.units import offset_ppm

WHOLE = st.integers(-(2**63), 2**63 - 1)
FLOATS = st.floats(allow_nan=False, allow_infinity=False)
UTC = st.one_of(st.none(), WHOLE, st.just(-(2**63)), st.integers(0, 2**61))
LATE_UTC = st.one_of(
    st.integers(10**18, 2**63 - 1), st.sampled_from([10**18, 2**63 - 1])
)
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

    utc = draw(st.sampled_from([UTC, LATE_UTC]))
    kinds = (WHOLE, WHOLE, utc, WHOLE, GATES, FLOATS.filter(lambda x: x > 0), AMBIENT)
    columns = [column(kind) for kind in (*kinds, st.sampled_from([0, 1, 64]), TEXTS)]
    ids = draw(st.lists(WHOLE, min_size=count, max_size=count, unique=True))
    columns[0] = sorted(ids)  # as they leave the store
    return list(zip(*columns, strict=True))


def chunk_of(rows):
    """Return rows of the table, NULL as None, as the arrays that leave the store."""
    *numbers, raw = zip(*rows, strict=True)
    undated = np.array([one is None for one in numbers[2]])
    numbers[2] = [-1 if one is None else one for one in numbers[2]]
    kinds = "i8", "i8", "i8", "i8", "f8", "f8", "f8", "i8"
    columns = Columns(*map(np.array, numbers, kinds))
    texts = zip(numbers[0], raw, strict=True)
    return Chunk(
        columns, {one: text for one, text in texts if text is not None}, undated
    )


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


@pytest.mark.parametrize("examples", [25, seldom(100)])
def test_a_page_of_csv_is_its_readings_one_by_one(examples):
    @settings(max_examples=examples, deadline=None)
    @given(
        rows(), st.sampled_from([1.0, 32768.0, 16e6, 5e-324]), st.sampled_from([1, 32])
    )
    def of(found, nominal_hz, divider):
        run = SimpleNamespace(nominal_hz=nominal_hz, divider=divider)
        assert csv_rows(chunk_of(found), run) == "".join(
            one_line(row, nominal_hz, divider) for row in found
        )

    of()


@pytest.mark.parametrize("examples", [25, seldom(100)])
def test_a_page_of_json_is_what_json_writes(examples):
    """Held against the standard library's json (RFC 8259)."""

    @settings(max_examples=examples, deadline=None)
    @given(rows())
    def of(found):
        lines = [
            json.dumps(
                {"row": "reading", **dict(zip(READINGS.columns, row, strict=True))}
            )
            for row in found
        ]
        assert json_rows(chunk_of(found)) == "".join(f"{line}\n" for line in lines)

    of()


@pytest.mark.parametrize("odd", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("at", [4, 5, 6])
def test_what_is_no_number_is_left_to_json(odd, at):
    row = [1, 1, None, 0, 1.0, 16e6, None, 0, None]
    row[at] = odd
    written = json_rows(chunk_of([row]))
    if at == 6 and math.isnan(odd):  # how arrays have an ambient that is not known
        assert '"ambient_c": null' in written
    else:
        assert written is None


def test_of_no_readings_there_is_no_line():
    none = chunk_of([(1, 1, None, 0, 1.0, 16e6, None, 0, None)])
    empty = Columns(*(getattr(none.columns, n)[:0] for n in Columns.__slots__))
    run = SimpleNamespace(nominal_hz=1.0, divider=1)
    assert json_rows(Chunk(empty, {}, none.undated[:0])) == ""
    assert csv_rows(Chunk(empty, {}, none.undated[:0]), run) == ""
