"""How a text file made elsewhere is laid out, guessed from its first lines.

The guess is said in words (`Layout.said`), so that a person can see and correct it.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median
from typing import Final

from benchlog.exchange.import_options import ColumnMeaning
from benchlog.exchange.text.data_column import AMBIENT_HEAD, find_data
from benchlog.exchange.text.first_lines import (
    FirstCells,
    find_time,
    unused_time,
)
from benchlog.exchange.text.foreign_numbers import (
    number_of,
    unit_of,
    unit_scale,
    unit_worth,
    unknown_unit,
)
from benchlog.exchange.text.separators import (
    Grouping,
    find_grouping,
    find_separator,
    seems_grouped,
    splitter,
)
from benchlog.exchange.text.time_stamps import (
    ISO,
    RELATIVE,
    StampKind,
    names_zone,
    stamp_ns,
)
from benchlog.units import as_stated

_NEAR: Final = 1.5
_OFTEN: Final = 0.25
"""Steps near the shortest one that are so often are the spacing; longer ones, gaps."""
_NOT_CELSIUS: Final = re.compile(
    r"[\[(_/ °](deg\W{0,3})?([fk]|kelvin|fahrenheit|m[ck]|m°c|m?v|k?ohm|k?Ω)"
    r"[\])]?\s*$",
    re.I,
)
_LONGEST_HEAD: Final = 200
"""What is longer is no head of a column; our rule."""
_UNIT_APART: Final = re.compile(r"\s{1,20}(?=[\[(])")
"""White space before a unit in brackets: `freq (MHz)` is one head, not two."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where in a line what stands, and how numbers are written.

    `separator` empty means white space. Columns count from 0. `day` is the column of
    the date where the time of day has one of its own. `scale` turns a bare number into
    the base unit (Hz; 1 for fractional; s for phase). `spacing_ns` is what usually lies
    between two time stamps. The first `start` lines are no data.
    `unit` is the column of the units, where white space parts them from the numbers.
    `grouping` is where digits stand in groups, parted as the columns are. `unused` is a
    column that seems to hold times and was not taken for the time.
    `looks_scaled` is how many times nominal the numbers seem to be.
    """

    separator: str
    decimal_comma: bool
    data: int
    time: int | None = None
    day: int | None = None
    kind: StampKind | None = None
    ambient: int | None = None
    scale: float = 1.0
    spacing_ns: int | None = None
    start: int = 0
    zone_assumed: bool = False
    looks_scaled: float | None = None
    said: tuple[str, ...] = ()
    unit: int | None = None
    grouping: Grouping | None = None
    unused: int | None = None

    def data_token(self, fields: Sequence[str]) -> str:
        """Return the datum of a line with its unit, where that stands apart.

        Raises IndexError when the line is too short.
        """
        token = fields[self.data].strip()
        return token if self.unit is None else f"{token} {fields[self.unit].strip()}"


def guess(lines: Sequence[str], comment: str, wanted: ColumnMeaning) -> Layout | None:
    """Return the layout of a file, None when no column of numbers is found.

    `lines` are its first ones that are no comments; `comment` is the comment line that
    stands right before them and may name the columns.
    """
    separator, decimal_comma = find_separator(lines, wanted)
    grouping = None if separator else find_grouping(lines, wanted)
    split = splitter(separator, grouping)
    rows = [split(line) for line in lines]
    start = next((at for at, row in enumerate(rows) if _has_number(row)), None)
    if start is None:
        return None
    data_rows = [row for row in rows[start:] if _has_number(row)]
    head = lines[start - 1] if start else comment.lstrip("#%!;/* ")
    table = FirstCells(data_rows, _heads(head, separator, data_rows), decimal_comma)
    layout = _laid_out(table, separator, wanted)
    if layout is None:
        return None
    said = (*layout.said, *_grouped(layout, grouping, data_rows))
    return replace(layout, start=start, grouping=grouping, said=said)


def _grouped(
    layout: Layout, grouping: Grouping | None, rows: Sequence[Sequence[str]]
) -> Iterator[str]:
    """Say what was made of digits that stand in groups of three."""
    if grouping is not None:
        yield (
            f"digits in groups of three, parted by blanks: column {grouping.start + 1} "
            "is one number"
        )
    elif not layout.separator and seems_grouped(rows, layout.data):
        yield (
            "the columns are guessed: if digits in groups of three are one number, "
            "check --nominal-hz, which nothing is near as such"
        )


def _heads(head: str, separator: str, rows: Sequence[Sequence[str]]) -> Sequence[str]:
    if all(len(row) == 1 for row in rows):
        names = [head]
    else:
        plain = head if separator else _UNIT_APART.sub("", head)
        names = splitter(separator)(plain)
    return [n if len(n) <= _LONGEST_HEAD else "" for n in map(str.strip, names)]


def _has_number(row: Sequence[str]) -> bool:
    return any(
        number_of(token) is not None or number_of(token, decimal_comma=True) is not None
        for token in row
    )


def _laid_out(
    table: FirstCells, separator: str, wanted: ColumnMeaning
) -> Layout | None:
    said_column = None if wanted.column is None else wanted.column - 1
    day, time, kind = find_time(table, said_column, wanted)
    taken = {day, time}
    data = said_column
    if data is None:
        data = find_data(table, wanted, taken)
    if data is None or not table.is_numeric(data):
        return None
    unit = unit_worth(wanted.unit) if wanted.unit else unit_scale(table.head(data))
    layout = Layout(
        separator=separator,
        decimal_comma=table.decimal_comma,
        data=data,
        time=time,
        day=day,
        kind=kind,
        ambient=_ambient(table, {*taken, data}),
        scale=1.0 if unit is None else unit,
        unit=table.unit_column(data),
    )
    layout = replace(
        layout,
        spacing_ns=_spacing(layout, table),
        zone_assumed=kind is ISO and not _names_zone(layout, table),
        looks_scaled=_ratio(layout, table, wanted),
    )
    said = (
        *_said(layout, wanted),
        *_mixed(layout, table),
        *_not_read(layout, table, wanted),
    )
    if time is not None:
        return replace(layout, said=said)
    unused, why = unused_time(table, {layout.data, layout.ambient})
    return replace(layout, unused=unused, said=(*said, *why))


def _mixed(layout: Layout, table: FirstCells) -> Iterator[str]:
    rows = [row for row in table.rows if len(row) > max(layout.data, layout.unit or 0)]
    units = {unit_of(layout.data_token(row)) for row in rows}
    if layout.unit is not None and len(units) == 1:
        yield f"unit in column {layout.unit + 1}: {min(units)}"
    if len(units) > 1:
        names = ", ".join(sorted(unit or "no unit" for unit in units))
        yield f"units differ from line to line ({names}): check that this is meant"


def _ambient(table: FirstCells, taken: set[int | None]) -> int | None:
    return next((c for c, why in _named_ambient(table, taken) if not why), None)


def _named_ambient(
    table: FirstCells, taken: set[int | None]
) -> Iterator[tuple[int, str]]:
    """Yield the columns named as a temperature, each with why it is not ambient."""
    for column in range(table.width):
        head = table.head(column)
        if column in taken or not AMBIENT_HEAD.search(head):
            continue
        if _NOT_CELSIUS.search(head):
            yield column, f"is {head!r}, which is not in C"
        elif table.column(column) and not table.numbers(column):
            yield column, "has a temperature in its head, and cells without a number"
        else:
            yield column, ""


def _not_read(
    layout: Layout, table: FirstCells, wanted: ColumnMeaning
) -> Iterator[str]:
    """Say which units and temperatures of the heads were not understood."""
    unit = unknown_unit(table.head(layout.data))
    if unit and not wanted.unit:
        base = {"frequency": "Hz", "phase": "s"}.get(wanted.data, "fractions")
        yield (
            f"unit {unit!r} in the head of column {layout.data + 1} is not known: its "
            f"numbers are taken as {base}; if they are not, say --unit"
        )
    if layout.time is not None and layout.kind == RELATIVE[""]:
        unit = unknown_unit(table.head(layout.time))
        if unit:
            yield (
                f"unit {unit!r} in the head of column {layout.time + 1} is not known: "
                "its numbers are taken as seconds"
            )
    if layout.ambient is None:
        for column, why in _named_ambient(table, {layout.data, layout.time}):
            yield f"column {column + 1} {why}: ambient is not read"


def time_token(layout: Layout, fields: Sequence[str]) -> str:
    """Return what a line says of its time. Raises IndexError when it is too short."""
    if layout.time is None:
        return ""
    token = fields[layout.time]
    if layout.day is not None:
        return f"{fields[layout.day].strip()} {token.strip()}"
    return token.replace(",", ".") if layout.decimal_comma else token


def _said(layout: Layout, wanted: ColumnMeaning) -> tuple[str, ...]:
    names = {"": "white space", "\t": "tab"}
    separator = names.get(layout.separator, repr(layout.separator))
    comma = " with decimal commas" if layout.decimal_comma else ""
    said = [
        f"columns separated by {separator}{comma}; data in column {layout.data + 1}"
    ]
    if layout.scale != 1.0:
        whose = f"unit {wanted.unit} as stated" if wanted.unit else "unit in the head"
        said.append(f"data multiplied by {as_stated(layout.scale)} ({whose})")
    if layout.time is not None and layout.kind is not None:
        said.append(f"time in column {layout.time + 1}: {layout.kind.name}")
    if layout.ambient is not None:
        said.append(f"ambient in column {layout.ambient + 1}")
    return tuple(said)


def _names_zone(layout: Layout, table: FirstCells) -> bool:
    tokens = [time_token(layout, row) for row in _timed(layout, table)]
    return any(names_zone(token) for token in tokens)


def _timed(layout: Layout, table: FirstCells) -> list[Sequence[str]]:
    """Return the rows that reach as far as the time."""
    least = max(layout.time or 0, layout.day or 0)
    return [row for row in table.rows if len(row) > least]


def _ratio(layout: Layout, table: FirstCells, wanted: ColumnMeaning) -> float | None:
    """Return the power of ten by which numbers miss nominal, None when they do not."""
    if wanted.data != "frequency":
        return None
    found = median(_numbers(layout, table)) * layout.scale / wanted.nominal_hz
    if found <= 0 or 0.5 < found < 2:
        return None
    return float(f"{found:.1g}")


def _numbers(layout: Layout, table: FirstCells) -> list[float]:
    """Return the data of the rows, units included; without any, the bare numbers."""
    rows = [row for row in table.rows if len(row) > max(layout.data, layout.unit or 0)]
    tokens = [layout.data_token(row) for row in rows]
    found = [number_of(t, decimal_comma=table.decimal_comma) for t in tokens]
    return [n for n in found if n is not None] or table.numbers(layout.data)


def _spacing(layout: Layout, table: FirstCells) -> int | None:
    if layout.kind is None:
        return None
    rows = _timed(layout, table)
    stamps = [stamp_ns(time_token(layout, row), layout.kind) for row in rows]
    known = [stamp for stamp in stamps if stamp is not None]
    steps = sorted(b - a for a, b in pairwise(known) if b > a)
    if not steps:
        return None
    shortest = steps[len(steps) // 10]  # not the very first: a stamp may be off
    near = [step for step in steps if step <= _NEAR * shortest]
    return round(median(near if len(near) >= _OFTEN * len(steps) else steps))
