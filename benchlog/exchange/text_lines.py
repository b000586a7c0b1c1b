"""Text files of unknown origin, packed or not, line by line, with bounded memory."""

import codecs
import io
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from benchlog.errors import DataError
from benchlog.exchange.file_limits import USUAL, FileLimits, beyond
from benchlog.exchange.unpacking import DAMAGED, open_octets

Line = tuple[int, str]
"""Its number, counted from 1, and its text without the line end."""
_EVERY: Final = 20_000
_START: Final = 2**20  # octets that are unpacked to look for a byte order mark
_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def numbered_lines(
    path: Path,
    progress: Callable[[int, int], None] | None = None,
    limits: FileLimits = USUAL,
) -> Iterator[Line]:
    """Yield the lines of a file; `progress` is told its bytes (about) read and in all.

    What is packed with gzip, bz2 or xz is unpacked on the way. Bytes that are no text
    become lone surrogates, which no number contains. A line that is too long is cut one
    character beyond what is allowed, so that whoever reads it can tell. Raises
    DataError when the file cannot be read, has more lines than allowed, expands to more
    or has a line that does not end.
    """
    most = limits.characters + 1
    try:
        total = path.stat().st_size
        octets, file = open_octets(path, limits.octets)
        with file, io.TextIOWrapper(octets, _encoding(path), "surrogateescape") as text:
            number = 0
            while line := text.readline(most):
                number += 1
                if number > limits.lines:
                    raise beyond(path, f"has more than {limits.lines:,} lines", "lines")
                yield number, line.removesuffix("\n")
                _pass_over(path, text, line, limits)
                if progress is not None and number % _EVERY == 0:
                    progress(min(file.tell(), total), total)
    except (OSError, *DAMAGED) as error:
        reason = getattr(error, "strerror", None) or error
        raise DataError(f"{path} cannot be read: {reason}") from error
    if progress is not None:
        progress(total, total)


def _pass_over(path: Path, text: io.TextIOBase, line: str, limits: FileLimits) -> None:
    """Read on to the end of a line. Raises DataError for one that may have none.

    A device, or a file that is a hole, gives such a line for hours.
    """
    length = len(line)
    while not line.endswith("\n") and (line := text.readline(limits.characters)):
        length += len(line)
        if length > limits.octets:
            said = f"has a line of more than {limits.megabytes:,} million characters"
            raise beyond(path, said, "megabytes")


def _encoding(path: Path) -> str:
    octets, file = open_octets(path, _START)
    with file:
        start = octets.read(4)
    found = (name for mark, name in _MARKS if start.startswith(mark))
    return next(found, "utf-8")
