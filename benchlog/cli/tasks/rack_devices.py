"""Which device sits where in a rack: a file with an id on each line."""

import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from benchlog.cli.tasks.id_files import octets_of
from benchlog.errors import UsageError
from benchlog.model import Bench, device_id_fault
from benchlog.units import counted, printable

_MOST_OCTETS: Final = 1 << 20  # our rule: bounds a file of ids


def read_devices(path: Path, bench: Bench) -> dict[str, str]:
    """Read which device sits where: a line each, `ID` or `POSITION,ID`.

    Lines without a position take the bench's positions in order; blank lines and those
    that begin with # mean nothing; `-` is standard input. Raises UsageError naming
    the line.
    """
    text = _text_of(path)
    known = [position.name for position in bench.positions]
    found: dict[str, str] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        said = line.strip()
        if not said or said.startswith("#"):
            continue
        place, device = _place_of(said, known, found)
        where = f"{path}, line {number}"
        if fault := device_id_fault(device):
            raise UsageError(f"{where}: {printable(device)[:60]!r} is no id: {fault}")
        if not place:
            raise UsageError(
                f"{where}: bench {bench.name!r} has {counted(len(known), 'position')}, "
                "and none is free for this device"
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


def _text_of(path: Path) -> str:
    """Return the text of a file, or of standard input. Raises UsageError."""
    if str(path) != "-":
        octets = octets_of(path, _MOST_OCTETS)
    else:
        octets = sys.stdin.buffer.read(_MOST_OCTETS + 1)
        if len(octets) > _MOST_OCTETS:
            raise UsageError(
                f"standard input is longer than {_MOST_OCTETS:,} bytes: is it a list "
                "of ids?"
            )
    try:
        return octets.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UsageError(f"{path} cannot be read: it is not UTF-8 text") from None


def _place_of(
    said: str, known: Sequence[str], found: Mapping[str, str]
) -> tuple[str, str]:
    """Return position and device of a line; no position where none is left."""
    place, comma, device = said.partition(",")
    if comma and place.strip() in known:
        return place.strip(), device.strip()
    return next((name for name in known if name not in found), ""), said
