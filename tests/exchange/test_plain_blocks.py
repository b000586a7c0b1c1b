"""Plain blocks of a file at once give what its lines give one by one, bit for bit."""

import re
import struct

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from tiers import seldom

from benchlog.errors import DataError
from benchlog.exchange.file_limits import USUAL, FileLimits
from benchlog.exchange.import_options import ColumnMeaning
from benchlog.exchange.text.layout import guess
from benchlog.exchange.text.line_reader import LineReader
from benchlog.exchange.text.text_rows import LineProblem
from benchlog.exchange.text.token_columns import TokenTable, decimals_of
from benchlog.exchange.text_lines import Block, first_lines, numbered_blocks
from benchlog.model import Reading
from benchlog.store.reading_block import ReadingBlock

HEADS = {
    "frequency": "t_s,frequency_hz,temp_c",
    "fractional": "t_s,offset,temp_c",
}
NUMBERS = st.one_of(
    st.floats(15e6, 17e6).map(repr),
    st.floats(15e6, 17e6).map("{:.4f}".format),
    st.floats(15e6, 17e6).map("{:.3e}".format),
    st.integers(15_000_000, 17_000_000).map(str),
    st.sampled_from(
        "nan|inf||-|1_6000000|16 MHz|16.5 MHz|-16000000.5|+16000000.5|016000000.5"
        "|16000000.|.5|1e400|16'000'000.5|1e18|0|0.0|16000000.50|1.2.3|16000000.5 "
        f'|\x0b16000000|1e-400|１６000000|1e+16|"16000000.5"|{"9" * 64}|{"9" * 65}'
        "".split("|")
    ),
)
TIMES = st.sampled_from(["{:d}", "{:d}.5", "{:d}.25", "{:.1f}", "{:d}e0", "+{:d}"])
ODD_LINES = st.sampled_from(
    "|# comment|1,2|9,16000000.5,1,2|0,16000000.5,25|;|\t|a,b,c|//|1e30,16000000.5,25"
    f"|-5,16000000.5,25|{'x' * 300}"
    "".split("|")
)


def texts_of(draw, data):
    """Return the lines of a file: most of them plain, some not."""
    count = draw(st.integers(1, 60))
    common, fixed = draw(TIMES), draw(NUMBERS)
    is_odd = draw(st.booleans())
    at, lines = draw(st.integers(0, 10**9)), []
    for _ in range(count):
        at += draw(st.sampled_from([1, 1, 1, 1, 1, 2, 5]))
        written = draw(TIMES) if is_odd else common
        time = written.format(float(at) if "f" in written else at)
        number = draw(NUMBERS) if is_odd else fixed
        if data == "fractional" and not is_odd:
            number = repr(draw(st.floats(-1e-3, 1e-3)))
        blank = draw(st.sampled_from(["", " "])) if is_odd else ""
        ambient = draw(st.sampled_from(["25", "25.5", "", "nan", "25 C"]))
        lines.append(f"{time},{blank}{number},{ambient}")
        if is_odd and draw(st.integers(0, 9)) == 0:
            lines.append(draw(ODD_LINES))
    return lines


def made(lines, layout, wanted, limits=USUAL, *, at_once):
    """Return what a reader makes of lines: readings as octets, problems as they are."""
    reader = LineReader(layout, wanted, limits)
    numbered = list(enumerate(lines, 1))
    blocks = [Block(1, "\n".join(lines) + "\n")]
    found = reader.made_of([] if at_once else numbered, blocks if at_once else [])
    flat = []
    for one in found:
        flat += one.readings() if isinstance(one, ReadingBlock) else [one]
    return [one if isinstance(one, LineProblem) else bits(one) for one in flat]


def bits(reading: Reading) -> tuple[object, ...]:
    """Return all of a reading, floats as their octets."""
    values = (getattr(reading, name) for name in Reading.__slots__)
    return tuple(
        struct.pack("<d", one) if isinstance(one, float) else one for one in values
    )


@settings(max_examples=10, deadline=None)
@given(st.data(), st.sampled_from(["frequency", "fractional"]))
def test_at_once_and_one_by_one_are_the_same(data, kind):
    hold_the_same(data, kind)


@pytest.mark.campaign
@settings(max_examples=200, deadline=None)
@given(st.data(), st.sampled_from(["frequency", "fractional"]))
def test_more_that_is_drawn_is_the_same(data, kind):
    hold_the_same(data, kind)


def hold_the_same(data, kind):
    wanted = ColumnMeaning(nominal_hz=16e6, data=kind, gate_s=1.0)
    lines = texts_of(data.draw, kind)
    plain = [f"{n},16000000.5,25" for n in range(5)]
    layout = guess([HEADS[kind], *plain], "", wanted)
    assert layout is not None
    limits = FileLimits(characters=100, columns=3)
    for bound in (USUAL, limits):
        whole = made(lines, layout, wanted, bound, at_once=True)
        assert whole == made(lines, layout, wanted, bound, at_once=False)


def written(mantissa, behind):
    """Return a whole number with a point before its last digits."""
    digits = f"{mantissa:0{behind + 1}d}"
    return f"{digits[:-behind]}.{digits[-behind:]}" if behind else digits


@pytest.mark.parametrize("examples", [50, seldom(200)])
def test_alike_decimals_are_the_numbers_that_their_texts_are(examples):
    @settings(max_examples=examples, deadline=None)
    @given(
        st.lists(
            st.one_of(st.integers(0, 10**20), st.integers(0, 10**4)),
            min_size=1,
            max_size=9,
        ),
        st.integers(0, 20),
        st.sampled_from(
            ["", "", "", "x", "1:2", "1.2.3", "-1", "1e3", ".5", "5.", "1_0", " 1"]
        ),
        st.integers(0, 9),
    )
    @example([10**18 - 1], 3, "", 0)
    @example([10**18], 0, "", 0)
    @example([10**19 - 1], 0, "", 0)
    @example([5], 0, "1:2", 0)
    def of(whole, behind, odd, at):
        tokens = [written(one, behind) for one in whole]
        if odd:
            tokens.insert(at, odd)
        text = "\n".join(f"{token},ab" for token in tokens)
        octets = np.frombuffer(text.encode(), np.uint8)
        cuts = [n for n, letter in enumerate(text) if letter in ",\n"]
        table = TokenTable(
            text=text,
            octets=octets,
            ends=np.array([*cuts, len(text)]),
            separator=",",
            width=2,
        )
        column = table.column(0)
        assert (
            column.tokens() == [column.token(n) for n in range(len(column))] == tokens
        )
        found = decimals_of(column)
        pattern = r"\d+" + (
            rf"\.\d{{{found.behind}}}" if found and found.behind else ""
        )
        if found is None:
            longest = max(map(len, tokens))
            assert odd or longest - (behind > 0) > 18, (
                "left to be read one by one without need"
            )
            return
        assert all(re.fullmatch(pattern, one, re.ASCII) for one in tokens)
        assert found.mantissa.tolist() == [int(one.replace(".", "")) for one in tokens]
        if found.digits <= 15:
            scaled = found.mantissa / 10.0 ** (found.behind or 0)
            assert scaled.tolist() == [float(one) for one in tokens]

    of()


@pytest.mark.parametrize("examples", [25, seldom(100)])
def test_alike_columns_at_once_and_one_by_one_are_the_same(examples):
    @settings(max_examples=examples, deadline=None)
    @given(st.data())
    def of(data):
        behind = [data.draw(st.integers(0, 9)) for _ in range(3)]
        most = data.draw(st.sampled_from([10**3, 10**9, 10**15, 10**18]))
        steps = st.integers(1, max(most // 100, 1))
        hertz = st.one_of(st.integers(0, most), st.just(16 * 10 ** (6 + behind[1])))
        at, lines = 0, []
        for _ in range(data.draw(st.integers(1, 40))):
            at += data.draw(steps)
            number, ambient = data.draw(hertz), data.draw(st.integers(0, 10**4))
            each = zip((at, number, ambient), behind, strict=True)
            lines.append(",".join(written(*one) for one in each))
        kind = data.draw(st.sampled_from(["frequency", "fractional"]))
        wanted = ColumnMeaning(nominal_hz=16e6, data=kind, gate_s=1.0)
        plain = [f"{n},16000000.5,25" for n in range(5)]
        layout = guess([HEADS[kind], *plain], "", wanted)
        assert layout is not None
        both = [made(lines, layout, wanted, at_once=way) for way in (True, False)]
        assert both[0] == both[1]

    of()


LAYOUTS = {
    "one column": ("16000001.25", "16000002.5"),
    "blanks": ("0.1  16000001.25", "  0.2\t16000002.5 "),
    "semicolons, decimal commas": ("0,1;16000001,25", "0,2;16000002,50"),
    "tabs": ("1\t16000001.25", "2\t16000002.125"),
    "dates": (
        "2026-11-29T10:00:59.9999Z,16000001.25",
        "2026-11-29T10:01:00.0001Z,16000002.5",
    ),
    "dates with a zone": (
        "2026-11-29 10:00:58+01:00,16000001.25",
        "2026-11-29 10:00:59+01:00,16000002.5",
    ),
    "seconds since 1970": (
        "1795608000.123456789,16000001.25",
        "1795608001.1234567891,16000002.5",
    ),
    "modified Julian date": ("61373.500001,16000001.25", "61373.5000125,16000002.5"),
    "long fractions": ("0.1,16000001.2512345678", "0.30000000000000004,16000002.5"),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_each_plain_layout_is_read_at_once(layout):
    """Also told: that it is arrays that come, as a file of lines alone would pass."""
    wanted = ColumnMeaning(nominal_hz=16e6)
    texts = list(LAYOUTS[layout])
    found = guess(texts, "", wanted)
    assert found is not None
    reader = LineReader(found, wanted, USUAL)
    kinds = {type(one) for one in reader.made_of([], [Block(1, "\n".join(texts))])}
    assert kinds == {ReadingBlock}
    both = [made(texts, found, wanted, at_once=way) for way in (True, False)]
    assert both[0] == both[1]
    assert len(both[0]) == 2


@pytest.mark.parametrize(
    "odd",
    [
        "2026-11-29T10:00:60Z",
        "2026-11-29T10:00:5xZ",
        "2026-11-29T25:00:00Z",
        "2026-1-1T1:00+01:30Z",
        "2026-11-29T10:01:00 ",
        "9999-12-31T23:59:59Z",
        "2262-04-11T23:47:59Z",
        "2262-04-11T23:47:02Z",
        "1677-09-21T00:12:02Z",
        "0001-01-01T00:00:00Z",
    ],
)
def test_dates_that_are_none_are_refused_alike(odd):
    wanted = ColumnMeaning(nominal_hz=16e6)
    texts = [f"2026-11-29T10:00:{n:02d}Z,16000001.25" for n in range(20)]
    layout = guess(texts, "", wanted)
    assert layout is not None
    texts[10:10] = [f"{odd},16000001.25"]
    both = [made(texts, layout, wanted, at_once=way) for way in (True, False)]
    assert both[0] == both[1]


@pytest.mark.parametrize(
    ("head", "plain", "odd"),
    [
        ("f (Hz),temp_c", "16000001.25,25", "16000001.25,1  000"),
        ("f (Hz),temp_c", "16000001.25,25", f"16000001.25,25{' ' * 70}C"),
        ("temp_c;f (Hz)", "25;16000001.25", "1   000  ;  16000001.25"),
        ("a\tb\tf (Hz)", "\tok\t16000001.25", "\t# left out\t16000001.25"),
        ("a\tb\tf (Hz)", "\tok\t16000001.25", " \t \t*16000001.25"),
    ],
)
def test_blanks_mean_the_same_in_a_block(head, plain, odd):
    """Two blanks within a cell were taken for one, a comment behind a tab for data."""
    wanted = ColumnMeaning(nominal_hz=16e6)
    layout = guess([head, *[plain] * 5], "", wanted)
    assert layout is not None
    texts = [plain, odd, plain]
    both = [made(texts, layout, wanted, at_once=way) for way in (True, False)]
    assert both[0] == both[1]


def test_an_odd_line_leaves_most_of_its_block_plain():
    wanted = ColumnMeaning(nominal_hz=16e6)
    texts = ["16000001.25"] * 8_000
    layout = guess(texts, "", wanted)
    assert layout is not None
    texts[5_000] = "sixteen"
    reader = LineReader(layout, wanted, USUAL)
    found = list(reader.made_of([], [Block(1, "\n".join(texts))]))
    arrays = [one for one in found if isinstance(one, ReadingBlock)]
    assert sum(map(len, arrays)) > 7_000
    assert [one.line for one in found if isinstance(one, LineProblem)] == [5_001]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.text("1,\r\n\x0b é\x85", max_size=12), max_size=30),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.integers(1, 20),
    st.integers(1, 9),
)
@example(["1" * 20, "", "2"], "\n", 20, 3)
def test_blocks_are_cut_where_lines_end(tmp_path_factory, texts, end, most, head):
    """Held against Python's own lines of a text file."""
    path = tmp_path_factory.mktemp("lines") / "a.txt"
    path.write_bytes(end.join(texts).encode())
    with path.open(encoding="utf-8") as file:
        lines = [line.removesuffix("\n")[: most + 1] for line in file]
    limits = FileLimits(characters=most)
    found, rest = first_lines(numbered_blocks(path, None, limits), head)
    found += [line for block in rest for line in block.lines()]
    assert found == list(enumerate(lines, 1))


@pytest.mark.parametrize("length", [2**18 - 1, 2**18, 2**18 + 1, 2**19])
def test_a_line_may_be_as_long_as_a_block(tmp_path, length):
    path = tmp_path / "long.txt"
    path.write_text("1\n" + "2" * length + "\n3\n")
    found = [
        line
        for block in numbered_blocks(path, None, FileLimits(characters=2**18))
        for line in block.lines()
    ]
    assert [len(text) for _, text in found] == [1, min(length, 2**18 + 1), 1]
    with pytest.raises(DataError, match="more than 2 lines"):
        list(numbered_blocks(path, None, FileLimits(lines=2)))


def test_what_is_derived_is_that_of_rows(bring, reader, writer):
    """Outline and packed blocks that came over hold what the rows make of it."""
    lines = [f"{n / 10:.1f},{16e6 + n % 977 / 16!r}" for n in range(5_000)]
    lines[3_000] = "oops"
    bring("1,16000001\n2,16000002\n")  # ids and segments begin elsewhere
    result, columns, _ = bring("\n".join(lines))
    before = reader.outline(result.run)
    writer.rebuild_outline(result.run)
    after, anew = reader.outline(result.run), reader.columns_after(result.run)
    for name in before.__slots__:
        assert getattr(before, name).tobytes() == getattr(after, name).tobytes(), name
    for name in columns.__slots__:
        assert getattr(columns, name).tobytes() == getattr(anew, name).tobytes(), name
