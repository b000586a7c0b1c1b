"""How much of a file that a person gives is read: bounds, each with a way to raise it.

A small file can stand for any size (packed text, repeated values of Parquet), and a
text for any time (thousands of columns to choose from).
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Final

from benchlog.errors import DataError, UsageError
from benchlog.units import printable


@dataclass(frozen=True, slots=True, kw_only=True)
class FileLimits:
    """Bounds of one file; our rules.

    `lines` of text or rows of Parquet: half a year of readings a second. `columns` of
    text. `characters` of a line of text or a cell of Parquet: a reply of 64 KiB as hex
    digits, and what surrounds it. `megabytes` that may come out of what is packed: so
    many lines of 50 characters. `memory` in megabytes that a part of a Parquet file may
    take: ten times what a million readings take.
    """

    lines: int = 20_000_000
    columns: int = 1_000
    characters: int = 200_000
    megabytes: int = 1_024
    memory: int = 512

    @property
    def octets(self) -> int:
        """`megabytes`, in octets."""
        return self.megabytes * 2**20


USUAL: Final = FileLimits()
_NAMES = tuple(one.name for one in fields(FileLimits))


def raised(said: Sequence[str]) -> FileLimits:
    """Return the limits with those that a person set, each as `lines=1000000`.

    Raises UsageError.
    """
    limits = USUAL
    for one in said:
        name, _, number = one.partition("=")
        if name not in _NAMES or not (number.isdecimal() and 0 < len(number) <= 15):
            raise UsageError(
                f"--limit {printable(one[:40])!r} is none: write NAME=NUMBER, where "
                f"NAME is one of {', '.join(_NAMES)}"
            )
        limits = replace(limits, **{name: max(1, int(number))})
    return limits


class LimitError(DataError):
    """A file goes beyond a limit."""


def beyond(path: Path, what: str, name: str) -> LimitError:
    """Return the refusal of a file that goes beyond a limit; `what` tells which."""
    return LimitError(
        f"{path} {what}, more than is read of a file; if that is meant, raise it with "
        f"--limit {name}=NUMBER"
    )
