"""Sentences of a receiver: published ones, a published wrong one, and nonsense.

The sentences are those of public descriptions of NMEA 0183 (from memory, checksums
recomputed); `$HEHDT,178.3,T*1E` is a page's misprint, its checksum is 22.
"""

from datetime import date

import pytest
from benchlog_drivers._nmea import MalformedError, Report, checksum, read_sentence
from hypothesis import given, settings
from hypothesis import strategies as st
from tiers import seldom

PUBLISHED = {
    b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47": (
        Report(kind="GGA", fix=True, second=45_319.0, day=None, satellites=8)
    ),
    b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A": (
        Report(kind="RMC", fix=True, second=45_319.0, day=date(1994, 3, 23))
    ),
    b"$GPRMC,000004,V,3714.6284,N,12146.9181,W,0.000,0.0,290697,15.4,E*4C": (
        Report(kind="RMC", fix=False, second=4.0, day=date(1997, 6, 29))
    ),
    b"$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68": (
        Report(kind="RMC", fix=True, second=82_486.0, day=date(1994, 11, 19))
    ),
    b"$GPZDA,201530.00,04,07,2002,00,00*60": (
        Report(kind="ZDA", fix=None, second=72_930.0, day=date(2002, 7, 4))
    ),
}


def sentence(body: str) -> bytes:
    return f"${body}*{checksum(body.encode()):02X}\r\n".encode()


@pytest.mark.parametrize("line", PUBLISHED)
@pytest.mark.parametrize("end", [b"", b"\n", b"\r\n"])
def test_published_sentences(line, end):
    assert read_sentence(line + end) == PUBLISHED[line]


def test_a_published_wrong_one_is_refused():
    with pytest.raises(MalformedError, match="checksum is 22 and not 1E"):
        read_sentence(b"$HEHDT,178.3,T*1E")
    assert read_sentence(b"$HEHDT,178.3,T*22").fix is None


@pytest.mark.parametrize("line", PUBLISHED)
def test_every_single_wrong_character_is_noticed(line):
    star = line.index(b"*")
    for at in range(1, star):
        wrong = bytearray(line)
        wrong[at] ^= 0x01
        with pytest.raises(MalformedError):
            read_sentence(bytes(wrong))


@pytest.mark.parametrize(
    ("body", "fix"),
    [
        ("GNRMC,101530.00,A,,,,,,,010124,,,A,V", True),
        ("GNRMC,101530.00,A,,,,,,,010124,,,D", True),
        ("GNRMC,101530.00,A,,,,,,,010124,,,E", False),  # dead reckoning
        ("GNRMC,101530.00,A,,,,,,,010124,,,S", False),  # simulator
        ("GNRMC,101530.00,A,,,,,,,010124,,,N", False),
        ("GNRMC,101530.00,V,,,,,,,010124,,,A", False),
        ("GNRMC,101530.00,,,,,,,,010124,,,A", False),
        ("GPGGA,101530,,,,,0,00,,,M,,M,,", False),
        ("GPGGA,101530,,,,,2,11,,,M,,M,,", True),
        ("GPGGA,101530,,,,,6,11,,,M,,M,,", False),
        ("GPGGA,101530,,,,,8,11,,,M,,M,,", False),
        ("GPGGA,101530,,,,,,,,,M,,M,,", False),
        ("GPGSV,1,1,00", None),
        ("PXYZ,1,2,3", None),
    ],
)
def test_what_counts_as_a_fix(body, fix):
    assert read_sentence(sentence(body)).fix is fix


def test_a_leap_second_is_a_time():
    assert read_sentence(sentence("GPZDA,235960,31,12,2016,00,00")).second == 86_400


@pytest.mark.parametrize(
    "body",
    [
        "GPRMC,123519,A",
        "GPRMC,256199,A,,,,,,,010124,,,A",
        "GPRMC,12:35:19,A,,,,,,,010124,,,A",
        "GPRMC,123519,A,,,,,,,310224,,,A",
        "GPRMC,123519,A,,,,,,,3102,,,A",
        "GPRMC,123519,A,,,,,,,0102,,,A",
        "GPRMC,123519,A,,,,,,,01029x,,,A",
        "GPGGA,123519,,,,,1",
        "GPGGA,123519,,,,,1,-3,,,M,,M,,",
        "GPZDA,123519,4,13,2002,00,00",
        "GPZDA,123519,xx,13,2002,00,00",
    ],
)
def test_good_checksum_and_bad_fields(body):
    with pytest.raises(MalformedError):
        read_sentence(sentence(body))


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"$",
        b"*00",
        b"$*00",
        b"$GPRMC*",
        b"$GPRMC*4",
        b"$GPRMC,*4G",
        b" " + next(iter(PUBLISHED)),
        next(iter(PUBLISHED)) + b"x",
        b"$" + next(iter(PUBLISHED)),
        b"$GP\xffRMC,1*00",
        b"$" + b"A" * 300 + b"*00",
    ],
)
def test_malformed_lines(line):
    if line == b"$*00":  # the empty sum is right, the sentence says nothing
        assert read_sentence(line).fix is None
        return
    with pytest.raises(MalformedError):
        read_sentence(line)


def vouches(line: bytes) -> bool:
    try:
        return read_sentence(line).fix is True
    except MalformedError:
        return False


@settings(max_examples=200, deadline=None)  # door_pulses of tests/fuzz goes on
@given(st.binary(max_size=300))
def test_noise_never_crashes_and_never_vouches(noise):
    assert not vouches(noise)


@pytest.mark.parametrize(
    "examples", [80, pytest.param(400, marks=pytest.mark.campaign)]
)
def test_a_damaged_sentence_vouches_only_if_it_came_out_whole(examples):
    @settings(max_examples=examples)
    @given(
        st.sampled_from(sorted(PUBLISHED)),
        st.lists(
            st.tuples(st.integers(0, 80), st.integers(0, 255)), min_size=1, max_size=4
        ),
    )
    def of(line, damage):
        wrong = bytearray(line)
        for at, value in damage:
            wrong[at % len(wrong)] = value
        is_whole_or_vouches_for_nothing(bytes(wrong))

    of()


@pytest.mark.parametrize("line", sorted(PUBLISHED))
def test_a_sentence_with_one_bit_changed_vouches_only_if_it_came_out_whole(line):
    """Each bit of it: what is drawn seldom changes one alone."""
    for bit in range(8 * len(line)):
        wrong = bytearray(line)
        wrong[bit // 8] ^= 1 << bit % 8
        is_whole_or_vouches_for_nothing(bytes(wrong))


def is_whole_or_vouches_for_nothing(line):
    if vouches(line):
        # two equal flips cancel in an exclusive or: the standard's own weakness
        body, _, stated = line[1:].partition(b"*")
        assert checksum(body) == int(stated[:2], 16)


@pytest.mark.parametrize("examples", [70, seldom(200)])
def test_fields_of_any_kind_give_a_report_or_a_reason(examples):
    @settings(max_examples=examples, deadline=None)
    @given(
        st.sampled_from(["GPRMC", "GNGGA", "GPZDA", "GPXXX", "X"]),
        st.lists(st.text(st.characters(codec="ascii"), max_size=9), max_size=16),
    )
    def of(address, fields):
        line = sentence(",".join([address, *fields]))
        try:
            assert isinstance(read_sentence(line), Report)
        except MalformedError as error:
            assert str(error).strip()

    of()
