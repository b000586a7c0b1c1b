"""Which device sits where in a rack: a file with an id on each line."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import click

from benchlog.errors import UsageError
from benchlog.model import Bench, device_id_fault
from benchlog.units import printable

_MOST_LINES: Final = 10_000  # our rule: bounds a file of ids
_MOST_CHARACTERS: Final = 1 << 20  # our rule, as well


def read_devices(path: Path, bench: Bench) -> dict[str, str]:
    """Read which device sits where: a line each, `ID` or `POSITION,ID`.

    Lines without a position take the bench's positions in order; blank lines and those
    that begin with # mean nothing; `-` is standard input. Raises UsageError naming
    the line.
    """
    try:
        with click.open_file(str(path), encoding="utf-8-sig") as stream:
            text = stream.read(_MOST_CHARACTERS)
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise UsageError(f"{path} cannot be read: {reason}") from None
    known = [position.name for position in bench.positions]
    found: dict[str, str] = {}
    for number, line in enumerate(text.splitlines()[:_MOST_LINES], start=1):
        said = line.strip()
        if not said or said.startswith("#"):
            continue
        place, device = _place_of(said, known, found)
        where = f"{path}, line {number}"
        if fault := device_id_fault(device):
            raise UsageError(f"{where}: {printable(device)[:60]!r} is no id: {fault}")
        if not place:
            raise UsageError(
                f"{where}: bench {bench.name!r} has {len(known)} positions, and all of "
                "them hold a device already"
            )
        if place in found:
            raise UsageError(f"{where}: position {place!r} holds a device already")
        if device in found.values():
            raise UsageError(
                f"{where}: device {printable(device)!r} is at two positions; each is "
                "once in a rack"
            )
        found[place] = device
    if not found:
        raise UsageError(f"{path} names no device: write one id on each line")
    return found


def _place_of(
    said: str, known: Sequence[str], found: Mapping[str, str]
) -> tuple[str, str]:
    """Return position and device of a line; no position where none is left."""
    place, comma, device = said.partition(",")
    if comma and place.strip() in known:
        return place.strip(), device.strip()
    return next((name for name in known if name not in found), ""), said
