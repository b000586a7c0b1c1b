"""Numbers out of blocks: octets as IEEE 754 and IEEE 488.2 lay them down."""

import math
import struct

import numpy as np
import pytest
from seeds import seeded_generator

from benchlog.driver_kit.link import Link
from benchlog.driver_kit.streams.block_answers import (
    checked_stamps,
    columns_of_line,
    columns_of_octets,
    without_codes,
)
from benchlog.errors import GarbledError
from benchlog.model import BlockForm, Dialect
from benchlog.testing import definite_block

DIALECT = Dialect(name="d", talks="scpi")


class Nowhere(Link):
    def send(self, *messages) -> None: ...
    def read_line(self, deadline, command="") -> bytes: ...
    def waiting(self) -> bytes: ...
    def close(self) -> None: ...


LINK = Nowhere("here", b"\n")


def test_octets_are_doubles_of_ieee_754() -> None:
    # IEEE 754-2019, 3.4: binary64; 1.0 is 3FF0 0000 0000 0000, -2.0 is C000 ...
    data = bytes.fromhex("3FF0000000000000C000000000000000")
    big = columns_of_octets(data, BlockForm(), LINK, "ask")["value"]
    assert big.tolist() == [1.0, -2.0]
    swapped = data[7::-1] + data[:7:-1]
    little = BlockForm(order="little")
    assert columns_of_octets(swapped, little, LINK, "ask")["value"].tolist() == [1, -2]


def test_a_block_of_ieee_488_2_has_its_length_in_front() -> None:
    # IEEE 488.2, 8.7.9: # <digits of the length> <length> <octets>
    assert definite_block([1.0]) == b"#18" + struct.pack(">d", 1.0)
    assert definite_block([0.0] * 125)[:6] == b"#41000"


@pytest.mark.parametrize("fields", [("value", "stamp"), ("stamp", "value")])
def test_fields_come_in_their_order(fields) -> None:
    rng = seeded_generator(11)
    table = rng.normal(0, 1, (50, 2))
    form = BlockForm(fields=fields, order="little")
    columns = columns_of_octets(table.astype("<f8").tobytes(), form, LINK, "ask")
    for at, name in enumerate(fields):
        assert np.array_equal(columns[name], table[:, at])


def test_octets_that_are_no_whole_reading_are_refused_with_their_bytes() -> None:
    form = BlockForm(fields=("value", "stamp"))
    with pytest.raises(GarbledError) as caught:
        columns_of_octets(bytes(24), form, LINK, "ask")
    assert caught.value.raw == bytes(24)


def test_a_line_is_read_to_the_last_digit() -> None:
    form = BlockForm(data="text")
    line = b"+1.60000000E+07, 15999999.123456789012 ,1.5E7\r\n"
    columns, texts, step = columns_of_line(line, form, LINK, "ask", DIALECT)
    assert columns["value"].tolist() == [16e6, 15999999.123456789012, 1.5e7]
    assert texts == ("+1.60000000E+07", "15999999.123456789012", "1.5E7")
    assert step == 0.1
    short = columns_of_line(b"1.5,2.5\n", form, LINK, "ask", DIALECT)
    assert short[1:] == ((), 0.1)


@pytest.mark.parametrize(
    "line",
    [
        *(
            b"1,,2\n",
            b",\n",
            b"1,2,\n",
            b"1_0,2\n",
            b"nan,1\n",
            b"1e999,1\n",
            b"0x1,2\n",
        ),
        *(b"1.5 E7,1\n", b"1;2\n", b"1," + b"9" * 65 + b"\n", "１,2\n".encode()),
        *(b"--1,2\n", b"1 2,3\n", b"\xff\n", b"1,\x002\n"),
    ],
)
def test_a_line_with_anything_else_is_no_block(line) -> None:
    with pytest.raises(GarbledError) as caught:
        columns_of_line(line, BlockForm(data="text"), LINK, "ask", DIALECT)
    assert caught.value.raw == line


def test_more_numbers_than_were_asked_for_are_no_block() -> None:
    form = BlockForm(data="text", most=3)
    with pytest.raises(GarbledError):
        columns_of_line(b"1,2,3,4\n", form, LINK, "ask", DIALECT)


def test_codes_for_no_value_keep_their_place() -> None:
    # SCPI-1999: 9.9E37 is infinity, 9.91E37 is not a number
    given = np.array([16e6, 9.91e37, 9.9e37, -9.9e37, math.nan, math.inf, 1e38])
    found = without_codes(given).tolist()
    assert found[0] == 16e6 and math.isnan(found[1]) and math.isnan(found[4])
    assert found[2:4] == [math.inf, -math.inf] and found[5:] == [math.inf, math.inf]


@pytest.mark.parametrize(
    "stamps", [[1.0, 1.0], [2.0, 1.0], [1.0, math.nan], [1.0, math.inf], [1.0, 1e300]]
)
def test_stamps_that_are_no_times_are_told_apart(stamps) -> None:
    form = BlockForm(fields=("value", "stamp"), stamp_s=1e-6)
    assert checked_stamps(np.array(stamps), form) is None
    good = checked_stamps(np.array([1.0, 2.0]), form)
    assert good is not None and np.allclose(good, [1e-6, 2e-6])
