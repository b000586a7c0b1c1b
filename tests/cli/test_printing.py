"""JSON that scripts can read, tables that hostile text cannot break."""

import dataclasses
import json
import math
from enum import StrEnum
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.cli.printing import pairs, plain, print_json, table, width
from benchlog.units import interval_texts, iso_utc


class Word(StrEnum):
    PASS = "pass"


@dataclasses.dataclass
class Row:
    value: float
    word: Word
    where: Path


@pytest.mark.parametrize(
    ("estimate", "said"),
    [
        # two digits of the half-width; what is tiny as a power of ten
        ((0.30213, 0.30111, 0.30316), ("+0.3021", "+0.3011", "+0.3032")),
        (
            (-3.56e-8, -4.6e-8, -2.5e-8),
            ("-3.6e-8", "-4.6e-8", "-2.5e-8"),
        ),
        ((70548.0, 53971.0, 87125.0), ("+70,548", "+53,971", "+87,125")),
        ((0.0, -0.5, 0.5), ("0.00", "-0.50", "+0.50")),
        # an interval that is far from even: three digits of each
        ((49.656, 0.19698, 12518.0), ("+49.7", "+0.197", "+12,518")),
        ((2.0, 2.0, 2.0), ("+2.00", "+2.00", "+2.00")),
    ],
)
def test_intervals_have_the_digits_they_are_worth(estimate, said):
    assert interval_texts(*estimate) == said


def test_plain_knows_what_figures_are_made_of() -> None:
    row = Row(math.nan, Word.PASS, Path("a/b"))
    document = {"row": row, "n": np.int64(3), "x": np.float64(0.5), "raw": b"\xff1"}
    assert plain(document) == {
        "row": {"value": None, "word": "pass", "where": "a/b"},
        "n": 3,
        "x": 0.5,
        "raw": "\\xff1",
    }
    assert plain(np.array([1.0, np.inf])) == [1.0, None]
    assert plain(np.bool_(True)) is True


@pytest.mark.parametrize(
    "examples", [30, pytest.param(100, marks=pytest.mark.campaign)]
)
def test_any_document_becomes_strict_json(examples: int) -> None:
    @settings(max_examples=examples)
    @given(
        st.recursive(
            st.none() | st.booleans() | st.floats() | st.text() | st.integers(),
            lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
        )
    )
    def of(document: object) -> None:
        text = json.dumps(plain(document), allow_nan=False)
        json.loads(text, parse_constant=pytest.fail)

    of()


def test_json_is_one_ascii_document(capsys: pytest.CaptureFixture[str]) -> None:
    print_json({"device": "Ω-7\u202e", "offset_ppm": math.inf}, None)
    said = capsys.readouterr().out
    assert said.isascii()
    assert json.loads(said) == {"device": "Ω-7\u202e", "offset_ppm": None}


def test_table_aligns_and_makes_cells_harmless() -> None:
    said = table(("id", "ppm"), [("KX-1", "+1.5"), ("\x1b[2J", "-20.25")], "lr")
    assert said.splitlines() == [
        "id          ppm",
        "KX-1       +1.5",
        "\\x1b[2J  -20.25",
    ]


def test_a_cell_of_ten_thousand_letters_does_not_widen_every_line() -> None:
    """A lot of a merged database made a list of twenty lots 370 kB."""
    first, second = table(("lot", "part"), [("L" * 10_000, "p")]).splitlines()
    assert (len(first), second) == (206, f"{'L' * 197}...  p")


def test_wide_letters_take_two_columns() -> None:
    assert width("水晶") == 4
    assert width("é") == 1
    first, second = table(("a", "b"), [("水晶", "x")]).splitlines()
    assert (first, second) == ("a     b", "水晶  x")


def test_pairs_keep_the_lines_of_a_text() -> None:
    said = pairs([("verdict", "PASS\nbecause"), ("n", "3\x07")])
    assert said.splitlines() == ["verdict  PASS", "         because", "n        3\\x07"]


def test_iso_utc() -> None:
    # 1,234,567,890 s after the epoch is 2009-02-13 23:31:30 UTC (POSIX arithmetic)
    assert iso_utc(1_234_567_890_987_654_321) == "2009-02-13T23:31:30.987Z"
    assert iso_utc(None) is None
    assert iso_utc(-1) is None
