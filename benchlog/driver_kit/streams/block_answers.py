"""Many readings out of one answer: all of them, or an error with what had come.

Definite-length arbitrary blocks after IEEE 488.2, 8.7.9: `#`, one digit, so many digits
of a length in octets, the octets. A block of indefinite length (`#0`) has no end that a
stream of octets could show, so it is refused.
"""

import re
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.clock import Deadline
from benchlog.driver_kit.link import Link
from benchlog.driver_kit.numbers import parse_number, parse_reply
from benchlog.errors import GarbledError, InstrumentError, OutOfStepError
from benchlog.model import BlockForm, Dialect
from benchlog.model.blocks import BIG, VALUE

OCTETS: Final = 8
"""Of one double; definition."""
_INFINITY: Final = 9.9e37
"""SCPI-1999: from here on a number is a code for no value."""
_NAN: Final = 9.91e37
_MOST_STAMP_S: Final = 1e9  # our rule: thirty years; what is more is no time
_NUMBERS: Final = re.compile(rb"[-+0-9.eE, \t]*")
_LONGEST: Final = 64  # as one reply's number: no instrument writes a longer one
_DIGITS: Final = 15  # a float64 holds this many decimal digits without loss; definition
_SHOWN: Final = 60

Real = NDArray[np.float64]


def octets_of_block(
    link: Link, deadline: Deadline, most: int, command: str, dialect: Dialect
) -> bytes:
    """Read one definite-length block and the end of its line; return its octets.

    `most` octets are expected: a head that tells of more is refused before anything of
    it is waited for, or room made for it. Raises SilentError and LostError as
    `read_line` does, GarbledError for what is no block, OutOfStepError for what does
    not end with it; a line of text may mean NoSignalError or OverloadError.
    """
    head = link.read_octets(1, deadline, command)
    if head != b"#":
        # The octet may have been the whole line.
        rest = b"" if head == b"\n" else link.read_line(deadline, command)
        line = head + rest
        parse_reply(line, dialect, "Hz", address=link.address, command=command)
        raise no_block(link, command, line, "a line of text")
    digit = link.read_octets(1, deadline, command)
    if not digit.isdigit() or digit == b"0":
        raise no_block(link, command, head + digit, "no length of one to nine digits")
    length = link.read_octets(int(digit), deadline, command)
    head += digit + length
    if not length.isdigit():
        raise no_block(link, command, head, "no length in digits")
    if int(length) > most:
        said = f"a length of {int(length):,} octets, {most:,} at most were asked for"
        raise no_block(link, command, head, said)
    data = link.read_octets(int(length), deadline, command)
    _end_of_line(link, deadline, command, head)
    return data


def _end_of_line(link: Link, deadline: Deadline, command: str, head: bytes) -> None:
    """Read what ends a line behind a block: nothing else may stand there."""
    end = link.read_octets(1, deadline, command)
    if end == b"\r":
        end += link.read_octets(1, deadline, command)
    if end not in (b"\n", b"\r\n") and end != link.terminator[-1:]:
        raise OutOfStepError(
            f"{link.address} sent {end!r} where its block {head!r} should have ended; "
            "its length is wrong, or something else was sent into it",
            address=link.address,
            command=command,
            raw=head + end,
        )


def columns_of_octets(
    data: bytes, form: BlockForm, link: Link, command: str
) -> dict[str, Real]:
    """Return the fields of a binary block as arrays. Raises GarbledError."""
    width = OCTETS * len(form.fields)
    if len(data) % width:
        said = f"{len(data):,} octets, no whole number of readings of {width}"
        raise no_block(link, command, data, said)
    kind = ">f8" if form.order == BIG else "<f8"
    table = np.frombuffer(data, kind).reshape(-1, len(form.fields))
    return _named(table.astype(np.float64), form)


def columns_of_line(
    line: bytes, form: BlockForm, link: Link, command: str, dialect: Dialect
) -> tuple[dict[str, Real], tuple[str, ...], float | None]:
    """Return the fields of a text block, the values' texts, what a last digit is worth.

    Texts only where one has more digits than a float64. Raises GarbledError; for one
    word that means that there is no value, NoSignalError or OverloadError.
    """
    body = line.strip(b" \t\r\n")
    if not body:
        return _named(np.empty((0, len(form.fields))), form), (), None
    if not _NUMBERS.fullmatch(body):
        parse_reply(line, dialect, "Hz", address=link.address, command=command)
        raise no_block(link, command, line, "text that is no number")
    words = [word.strip() for word in body.decode("ascii").split(",")]
    try:
        if max(map(len, words)) > _LONGEST:
            raise ValueError
        flat = np.array([float(word) for word in words])
    except ValueError:
        raise no_block(link, command, line, "a number that is malformed") from None
    if len(flat) % len(form.fields) or len(flat) > form.most * len(form.fields):
        raise no_block(link, command, line, f"{len(flat):,} numbers")
    if not bool(np.isfinite(flat).all()):
        raise no_block(link, command, line, "a number too large")
    texts = tuple(words[form.fields.index(VALUE) :: len(form.fields)])
    first = parse_number(texts[0])
    step = None if first is None else first.step
    return (
        _named(flat.reshape(-1, len(form.fields)), form),
        texts if max(map(_digits, texts)) > _DIGITS else (),
        step,
    )


def without_codes(values: Real) -> Real:
    """Return values with the codes of SCPI-1999 for "no value" as NaN and infinities.

    9.91E37 is not-a-number, +-9.9E37 is infinity; what is more is infinite, too.
    """
    coded = np.abs(values) >= _INFINITY  # NaN compares false, and stays
    if not bool(coded.any()):
        return values
    nan = coded & np.isclose(values, _NAN, rtol=1e-9, atol=0.0)
    found = np.where(coded, np.copysign(np.inf, values), values)
    found[nan] = np.nan
    return found


def checked_stamps(stamps: Real, form: BlockForm) -> Real | None:
    """Return time stamps in s where they are times that increase; None else."""
    times = stamps * form.stamp_s
    sane = bool(np.isfinite(times).all()) and bool(
        (np.abs(times) < _MOST_STAMP_S).all()
    )
    return times if sane and bool((np.diff(times) > 0).all()) else None


def no_block(link: Link, command: str, raw: bytes, found: str) -> InstrumentError:
    """Return the error for an answer that is no block."""
    return GarbledError(
        f"{link.address} answered {command!r} with {raw[:_SHOWN]!r}, {found}: no block "
        "of readings; check [block] of the dialect, and that nobody else talks to it",
        address=link.address,
        command=command,
        raw=raw,
    )


def _named(table: Real, form: BlockForm) -> dict[str, Real]:
    return {
        name: np.ascontiguousarray(table[:, at]) for at, name in enumerate(form.fields)
    }


def _digits(text: str) -> int:
    return sum(ch.isdigit() for ch in text.upper().split("E")[0])
