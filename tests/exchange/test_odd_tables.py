"""Tables that are not quite regular: odd lines, odd heads, digits in groups."""

import pytest

S = 1_000_000_000
NOON_NS = 1_795_608_000 * S  # 2026-11-25 12:00:00 UTC


def logged(stamps: list[str], separator: str = ",") -> str:
    return "".join(f"{at}{separator}1600009{n}.5\n" for n, at in enumerate(stamps))


@pytest.mark.parametrize("separator", [",", " ", ";", "\t"])
def test_times_in_most_lines_are_the_time_and_odd_lines_are_told(bring, separator):
    stamps = [f"2026-11-25T12:00:{ten}0Z" for ten in range(5)]
    text = logged([*stamps[:3], "yesterday", *stamps[3:], "noon"], separator)
    result, columns, _ = bring(text)
    assert columns.mono_ns.tolist() == [0, 10 * S, 20 * S, 30 * S, 40 * S]
    assert columns.utc_ns.tolist() == [NOON_NS + 10 * n * S for n in range(5)]
    assert columns.gate_s.tolist() == [10.0] * 5
    said = [(one.line, one.reason) for one in result.problems]
    odd = "its time is not written as date and time"
    assert said == [(4, odd), (7, odd)]
    assert not any("no time stamps" in note for note in result.notes)


def test_day_and_hour_apart_with_odd_lines(bring):
    stamps = [f"2026-11-25 12:00:{ten}0" for ten in range(5)]
    result, columns, _ = bring(logged([stamps[0], "foo", *stamps[1:], "?"], " "))
    assert columns.mono_ns.tolist() == [n * 10 * S for n in range(5)]
    assert [one.line for one in result.problems] == [2, 7]


def test_numbers_as_times_with_odd_lines(bring):
    text = "t,f\n" + logged(["0", "10", "20", "abc", "30", "q", "40"])
    result, columns, _ = bring(text)
    assert columns.mono_ns.tolist() == [n * 10 * S for n in range(5)]
    assert columns.gate_s[0] == 10.0
    assert [one.line for one in result.problems] == [5, 7]


@pytest.mark.parametrize(
    ("head", "step_s"),
    [
        ("t", 10.0),
        ("T", 10.0),
        ("s", 10.0),
        ("[s]", 10.0),
        ("utc", 10.0),
        ("timestamp", 10.0),
        ("time", 10.0),
        ("t_ms", 0.01),
    ],
)
def test_heads_that_say_time(bring, head, step_s):
    text = f"{head},f\n" + logged([str(10 * n) for n in range(6)])
    _, columns, _ = bring(text)
    assert columns.mono_ns.tolist() == [round(n * step_s * S) for n in range(6)]
    assert columns.gate_s[0] == step_s


@pytest.mark.parametrize("head", ["status", "units", "t_amb"])
def test_heads_that_only_hold_the_letters(bring, head):
    text = f"{head},f\n" + logged([str(10 * n) for n in range(6)])
    result, columns, _ = bring(text)
    assert columns.mono_ns.tolist() == [n * S for n in range(6)]
    assert any("column 1 not used as time" in note for note in result.notes)


def test_too_few_times_are_told_and_may_be_insisted_on(bring):
    text = logged(["2026-11-25T12:00:00Z", "x", "y", "2026-11-25T12:00:10Z", "z"])
    result, columns, _ = bring(text)
    assert columns.mono_ns.tolist() == [n * S for n in range(5)]
    said = " ".join(result.notes)
    assert "column 1 holds a date and time in 2 of 5 lines" in said
    assert "column 1 not used as time" in said and "no time stamps" not in said
    result, columns, _ = bring(text, time_column=1)
    assert columns.mono_ns.tolist() == [0, 10 * S] and result.rejected == 3


def test_one_time_alone_is_no_lack_of_time_stamps(bring):
    result, _, _ = bring("2026-11-25T12:00:00Z,16000001.5\n")
    assert any("no two times" in note for note in result.notes)
    assert not any("no time stamps" in note for note in result.notes)


PLAIN = "16 000 001.5\n16 000 002.5\n16 000 003.5\n"
GROUPED = {
    # ISO 80000-1, 7.3.1 (from memory): groups of three, counted from the decimal sign
    "blanks": PLAIN,
    "no-break": PLAIN.replace(" ", "\u00a0"),
    "narrow no-break": PLAIN.replace(" ", "\u202f"),
    "thin": PLAIN.replace(" ", "\u2009"),
    "apostrophes": "0 16'000'001.5\n1 16'000'002.5\n2 16'000'003.5\n",
    "decimal commas": "16 000 001,5\n16 000 002,5\n16 000 003,5\n",
    "behind a count": "0 16 000 001.5\n1 16 000 002.5\n2 16 000 003.5\n",
    "wide columns": "998   16 000 001.5\n999   16 000 002.5\n1000   16 000 003.5\n",
    "with a unit": "0 16 000 001.5 Hz\n1 16 000 002.5 Hz\n2 16 000 003.5 Hz\n",
    "before a column": "16 000 001.5 25.1\n16 000 002.5 25.2\n16 000 003.5 25.3\n",
    "with a head": "t f\n0 16 000 001.5\n1 16 000 002.5\n2 16 000 003.5\n",
}


@pytest.mark.parametrize("layout", GROUPED)
def test_digits_in_groups_are_one_number(bring, layout):
    result, columns, raws = bring(GROUPED[layout])
    assert (result.readings, result.rejected) == (3, 0)
    assert columns.frequency_hz.tolist() == [16000001.5, 16000002.5, 16000003.5]
    assert columns.gate_s.tolist() == [1.0] * 3
    first = next(iter(raws.values())) if isinstance(raws, dict) else raws[0]
    assert "16" in str(first) and "000" in str(first), "as it stands in the file"


def test_a_short_last_group_or_an_odd_line_is_refused(bring):
    text = "".join(f"{n} 16 000 00{n}.5\n" for n in range(8))
    result, columns, _ = bring(text + "8 16 000 09.5\nhello\n")
    assert len(columns) == 8 and result.rejected == 2
    assert "16 000 09.5" in result.problems[0].text


def test_fewer_groups_where_the_number_is_shorter(bring):
    text = "0 999 999.5\n1 1 000 000.5\n2 1 000 001.5\n"
    _, columns, _ = bring(text, nominal_hz=1e6)
    assert columns.frequency_hz.tolist() == [999999.5, 1000000.5, 1000001.5]


def test_columns_of_three_digits_stay_columns(bring):
    text = "1 100 16000001.5\n2 101 16000002.5\n3 102 16000003.5\n"
    result, columns, _ = bring(text)
    assert columns.frequency_hz.tolist() == [16000001.5, 16000002.5, 16000003.5]
    assert not any("groups" in note for note in result.notes)


def test_groups_that_nothing_speaks_for_are_told_as_a_guess(bring):
    result, _, _ = bring("16 000 001\n16 000 002\n16 000 003\n", nominal_hz=32768.0)
    assert any("the columns are guessed" in note for note in result.notes)
