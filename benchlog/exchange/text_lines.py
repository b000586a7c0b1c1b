"""Text files of unknown origin, packed or not, in blocks, with bounded memory."""

import codecs
import io
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Final

from benchlog.errors import DataError
from benchlog.exchange.file_limits import USUAL, FileLimits, beyond
from benchlog.exchange.unpacking import DAMAGED, open_octets

Line = tuple[int, str]
"""Its number, counted from 1, and its text without the line end."""
_BLOCK: Final = 2**18  # characters; our rule: some thousand lines, a few MB as arrays
_START: Final = 2**20  # octets that are unpacked to look for a byte order mark
_BLANK_OCTET: Final = "\udca0"
"""Octet 160 where it is no UTF-8: the blank within numbers of files in ISO 8859."""
_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


@dataclass(frozen=True, slots=True)
class Block:
    """Whole lines of a file as one text; `first` is the number of the first of them."""

    first: int
    text: str

    @property
    def count(self) -> int:
        """How many lines it has."""
        return self.text.count("\n") + (not self.text.endswith("\n"))

    def lines(self) -> list[Line]:
        """Return its lines with their numbers."""
        texts = self.text.removesuffix("\n").split("\n")
        return list(enumerate(texts, self.first))

    def has_longer(self, most: int) -> bool:
        """Whether a line has more than so many characters."""
        at = 0
        while len(self.text) - at > most:
            end = self.text.rfind("\n", at, at + most + 1)
            if end < 0:
                return True
            at = end + 1
        return False

    def up_to(self, count: int) -> "Block":
        """Return its first lines, fewer than it has."""
        texts = self.text.split("\n", count)[:count]
        return Block(self.first, "\n".join(texts) + "\n")

    def behind(self, count: int) -> "Block":
        """Return what is behind so many lines, fewer than it has."""
        return Block(self.first + count, self.text.split("\n", count)[count])


def numbered_blocks(
    path: Path,
    progress: Callable[[int, int], None] | None = None,
    limits: FileLimits = USUAL,
) -> Iterator[Block]:
    """Yield the lines of a file; `progress` is told its bytes (about) read and in all.

    What is packed with gzip, bz2 or xz is unpacked on the way. Bytes that are no text
    become lone surrogates, which no number contains, but the blank that parts groups
    of digits in a file in ISO 8859. A line that is too long is cut one character
    beyond what is allowed, so that whoever reads it can tell. Raises
    DataError when the file cannot be read, has more lines than allowed, expands to
    more, has a line that does not end, or was written to meanwhile: its last number may
    have been half there.
    """
    try:
        octets, file = open_octets(path, limits.octets)
        at_first = os.fstat(file.fileno())
        total = at_first.st_size
        with file, io.TextIOWrapper(octets, _encoding(path), "surrogateescape") as text:
            number = 1
            while found := text.read(_BLOCK):
                found += _rest_of_line(path, text, found, limits)
                found = found.replace(_BLANK_OCTET, "\u00a0")
                block = _cut(Block(number, found), limits.characters + 1)
                number += block.count
                if number > limits.lines + 1:
                    allowed = limits.lines + 1 - block.first
                    if allowed:
                        yield block.up_to(allowed)
                    raise beyond(path, f"has more than {limits.lines:,} lines", "lines")
                yield block
                if progress is not None:
                    progress(min(file.tell(), total), total)
            if _was_written(at_first, os.fstat(file.fileno())):
                raise DataError(
                    f"{path} was written to while it was read; import it when whoever "
                    "writes it is done, or a copy of it"
                )
    except (OSError, *DAMAGED) as error:
        reason = getattr(error, "strerror", None) or error
        raise DataError(f"{path} cannot be read: {reason}") from error
    if progress is not None:
        progress(total, total)


def numbered_lines(
    path: Path,
    progress: Callable[[int, int], None] | None = None,
    limits: FileLimits = USUAL,
) -> Iterator[Line]:
    """Yield the lines of a file one by one. Raises as `numbered_blocks` does."""
    return lines_of(numbered_blocks(path, progress, limits))


def lines_of(blocks: Iterator[Block]) -> Iterator[Line]:
    """Yield the lines of blocks."""
    return chain.from_iterable(block.lines() for block in blocks)


def first_lines(
    blocks: Iterator[Block], count: int
) -> tuple[list[Line], Iterator[Block]]:
    """Return at most so many first lines of a file, and the blocks of all behind."""
    taken: list[Line] = []
    for block in blocks:
        lines = block.lines()
        wanted = count - len(taken)
        taken += lines[:wanted]
        if len(lines) > wanted:
            return taken, chain([block.behind(wanted)], blocks)
        if len(lines) == wanted:
            break
    return taken, blocks


def _was_written(before: os.stat_result, after: os.stat_result) -> bool:
    """Whether a file is another one than before."""
    now = (after.st_size, after.st_mtime_ns)
    return now != (before.st_size, before.st_mtime_ns)


def _rest_of_line(
    path: Path, text: io.TextIOBase, found: str, limits: FileLimits
) -> str:
    """Return what completes the last line of `found`, cut where that is too long.

    Raises DataError for a line that may have no end: a device, or a file that is a
    hole, gives such a line for hours.
    """
    if found.endswith("\n"):
        return ""
    length = len(found) - (found.rfind("\n") + 1)
    piece = rest = text.readline(max(1, limits.characters + 1 - length))
    while piece and not piece.endswith("\n"):
        length += len(piece)
        if length > limits.octets:
            said = f"has a line of more than {limits.megabytes:,} million characters"
            raise beyond(path, said, "megabytes")
        piece = text.readline(limits.characters)
    return rest if piece == rest or not piece else f"{rest}\n"


def _cut(block: Block, most: int) -> Block:
    """Return lines of at most so many characters each."""
    if not block.has_longer(most):
        return block
    cut = (line[:most] for line in block.text.split("\n"))
    return Block(block.first, "\n".join(cut))


def _encoding(path: Path) -> str:
    octets, file = open_octets(path, _START)
    with file:
        start = octets.read(4)
    found = (name for mark, name in _MARKS if start.startswith(mark))
    return next(found, "utf-8")
