"""Standard output for figures, standard error for narration, both harmless to print."""

import dataclasses
import json
import math
import os
import sys
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from enum import Enum
from typing import Final

import click

from benchlog.schemas import KEY, name_of
from benchlog.units import counted, printable

_WIDEST: Final = 200
"""Letters of a cell; our rule: three lines of a terminal, longer than names are."""


def print_json(document: object, kind: str | None) -> None:
    """Print one JSON document on standard output; unknown figures become null.

    `kind` is which of `benchlog.schemas` it is of: the key `schema` tells so, in each
    row of a list. None is for a document whose keys are names of things.
    """
    found = plain(document)
    if kind is not None:
        found = _with_schema(found, name_of(kind))
    click.echo(json.dumps(found, indent=2, allow_nan=False))


def _with_schema(found: object, name: str) -> object:
    if isinstance(found, dict):
        return {KEY: name, **found}
    return (
        [_with_schema(row, name) for row in found] if isinstance(found, list) else found
    )


def plain(value: object) -> object:
    """Return `value` built of what JSON knows: NaN and infinities become None."""
    if value is None or type(value) in (str, int, bool):  # most are: no other question
        return value
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = dataclasses.fields(value)
        return {field.name: plain(getattr(value, field.name)) for field in fields}
    if isinstance(value, Iterable) and not isinstance(value, str | bytes):
        return [plain(item) for item in value]
    return _plain_scalar(value)


def _plain_scalar(value: object) -> object:
    if isinstance(value, Enum):
        return _plain_scalar(value.value)
    if isinstance(value, float):  # numpy's float64 is one
        return float(value) if math.isfinite(value) else None
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, bytes):
        return value.decode("ascii", "backslashreplace")
    item = getattr(value, "item", None)  # numpy's other scalars, without importing it
    return _plain_scalar(item()) if callable(item) else str(value)


def print_text(text: str) -> None:
    """Print figures in words on standard output; lines stay lines.

    Whatever a text is made of, no reason, id or note in it reaches a terminal raw.
    """
    click.echo("\n".join(map(printable, text.split("\n"))))


def say(text: str) -> None:
    """Tell the person something on standard error."""
    click.echo(printable(text), err=True)


def table(
    headers: Sequence[str], rows: Iterable[Sequence[str]], right: str = ""
) -> str:
    """Return aligned columns; `right` holds one letter `r` per column to align right.

    Every cell is made printable; one that is too long for a person is cut, as it would
    make all lines so long. Example: ``table(("run", "ppm"), rows, "rr")``.
    """
    cells = [[_cell(printable(cell)) for cell in row] for row in rows]
    grid = [list(headers), *cells]
    widths = [max(width(row[i]) for row in grid) for i in range(len(headers))]
    return "\n".join(_line(row, widths, right) for row in grid)


def pairs(rows: Iterable[tuple[str, str]]) -> str:
    """Return name and text in two columns; long texts are wrapped, lines stay lines."""
    import shutil

    listed = [(name, text.split("\n")) for name, text in rows]
    room = max((width(name) for name, _ in listed), default=0)
    columns = max(40, shutil.get_terminal_size((100, 24)).columns - room - 2)
    lines = []
    for name, texts in listed:
        wrapped = [piece for text in texts for piece in _wrapped(text, columns)]
        for head, piece in zip([name] + [""] * len(wrapped), wrapped, strict=False):
            lines.append(f"{head:<{room}}  {piece}".rstrip())
    return "\n".join(lines)


def _cell(text: str) -> str:
    return text if len(text) <= _WIDEST else f"{text[: _WIDEST - 3]}..."


def _wrapped(text: str, columns: int) -> list[str]:
    import textwrap

    return textwrap.wrap(printable(text.strip()), columns) or [""]


def _line(row: Sequence[str], widths: Sequence[int], right: str) -> str:
    padded = []
    for i, cell in enumerate(row):
        gap = " " * (widths[i] - width(cell))
        padded.append(gap + cell if right[i : i + 1] == "r" else cell + gap)
    return "  ".join(padded).rstrip()


def width(text: str) -> int:
    """Return how many terminal columns `text` takes."""
    if text.isascii():
        return len(text)
    wide = sum(unicodedata.east_asian_width(ch) in "WF" for ch in text)
    marks = sum(unicodedata.combining(ch) != 0 for ch in text)
    return len(text) + wide - marks


def readings_and_stamps(readings: int, stamps: int) -> str:
    """Return how many readings, or stamps of pulses where a run is made of them."""
    both = [counted(readings, "reading")] if readings or not stamps else []
    both += [counted(stamps, "pulse stamp")] if stamps else []
    return ", ".join(both)


def in_terminal() -> bool:
    """Whether a full-screen view can be shown and a person can answer.

    A terminal that calls itself dumb takes plain lines only.
    """
    if os.environ.get("TERM") == "dumb":
        return False
    return all(s.isatty() for s in (sys.stdin, sys.stdout, sys.stderr))
