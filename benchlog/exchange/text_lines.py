"""Text files of unknown origin, line by line, with bounded memory."""

import codecs
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from benchlog.errors import DataError

Line = tuple[int, str]
"""Its number, counted from 1, and its text without the line end."""
MAX_LINE: Final = 65_536
_EVERY: Final = 20_000
_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def numbered_lines(
    path: Path, progress: Callable[[int, int], None] | None = None
) -> Iterator[Line]:
    """Yield the lines of a file; `progress` is told bytes (about) done and in all.

    Bytes that are no text become lone surrogates, which no number contains. What is
    longer than 64 KiB is cut. Raises DataError when the file cannot be read.
    """
    try:
        total = path.stat().st_size
        with path.open(encoding=_encoding(path), errors="surrogateescape") as stream:
            done, number = 0, 0
            while text := stream.readline(MAX_LINE):
                number += 1
                done += len(text)
                yield number, text.rstrip("\n")
                while not text.endswith("\n") and (text := stream.readline(MAX_LINE)):
                    done += len(text)
                if progress is not None and number % _EVERY == 0:
                    progress(min(done, total), total)
    except (OSError, UnicodeError) as error:
        reason = getattr(error, "strerror", None) or error
        raise DataError(f"{path} cannot be read: {reason}") from error
    if progress is not None:
        progress(total, total)


def _encoding(path: Path) -> str:
    with path.open("rb") as stream:
        start = stream.read(4)
    found = (name for mark, name in _MARKS if start.startswith(mark))
    return next(found, "utf-8")
