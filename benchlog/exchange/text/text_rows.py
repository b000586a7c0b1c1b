"""What each line of a text file made elsewhere says, or why it says nothing."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final, NamedTuple

from benchlog.exchange.file_limits import FileLimits
from benchlog.exchange.text.foreign_numbers import number_of
from benchlog.exchange.text.layout import Layout, time_token
from benchlog.exchange.text.separators import is_comment, splitter
from benchlog.exchange.text.time_stamps import stamp_ns
from benchlog.exchange.text_lines import Line
from benchlog.units import LONGEST_NUMBER, printable

_SHOWN: Final = 80
_ABSENT: Final = frozenset(("", "-", "--", "---", "nan", "na", "n/a", "null", "none"))


@dataclass(frozen=True, slots=True)
class LineProblem:
    """A line that gave no reading, and why.

    `text` is its beginning, safe to print; `raw` the bytes of that beginning.
    """

    line: int
    text: str
    reason: str
    raw: bytes = b""

    def __str__(self) -> str:
        return f"line {self.line}: {self.reason}: {self.text!r}"


class Value(NamedTuple):
    """What one line says; `number` is in the base unit (Hz, 1 or s)."""

    line: Line
    token: str
    number: float
    stamp_ns: int | None
    ambient_c: float | None


def problem(line: Line, reason: str) -> LineProblem:
    """Return what is wrong with a line, its text cut short and made harmless."""
    start = line[1][:_SHOWN]
    raw = start.encode(errors="surrogateescape")
    return LineProblem(line[0], printable(start), reason, raw)


def values_of(
    lines: Iterable[Line], layout: Layout, limits: FileLimits
) -> Iterator[Value | LineProblem]:
    """Yield what each line says, or why it says nothing; comments are passed over."""
    split = splitter(layout.separator, layout.grouping)
    for line in lines:
        if is_comment(line[1]):
            continue
        if len(line[1]) > limits.characters:
            yield problem(line, f"longer than {limits.characters:,} characters")
            continue
        fields = split(line[1])
        if len(fields) > limits.columns:
            yield problem(line, f"more than {limits.columns:,} columns")
            continue
        try:
            yield _value_of(line, fields, layout)
        except IndexError:
            wanted = max(layout.data, layout.time or 0, layout.unit or 0) + 1
            found = f"{len(fields)} of at least {wanted} columns"
            yield problem(line, found)
        except ValueError as error:
            yield problem(line, str(error))


def _value_of(line: Line, fields: list[str], layout: Layout) -> Value:
    token = layout.data_token(fields)
    number = number_of(token, decimal_comma=layout.decimal_comma)
    if number is not None and not token[-1].isalpha() and token[-1] != "%":
        number *= layout.scale  # the head's unit, where the number has none of its own
    if number is None:
        absent = token.lower() in _ABSENT
        if len(token) > LONGEST_NUMBER:
            raise ValueError(f"not a number: more than {LONGEST_NUMBER} characters")
        raise ValueError("no value here: a gap" if absent else "not a number")
    stamp = None
    if layout.kind is not None:
        stamp = stamp_ns(time_token(layout, fields), layout.kind)
        if stamp is None:
            raise ValueError(f"its time is not written as {layout.kind.name}")
    ambient = None
    if layout.ambient is not None and layout.ambient < len(fields):
        ambient = number_of(fields[layout.ambient], decimal_comma=layout.decimal_comma)
    return Value(line, token, number, stamp, ambient)
