"""Compressed text files as a stream of octets: no more of it than has a bound.

A small file can expand to any size (and an xz file can ask for gigabytes of memory),
so what comes out, and what a decompressor may take, is bounded. Which kind a file is,
its first octets tell and not its name. Formats: RFC 1952 (gzip), RFC 8878 (zstd).
"""

import bz2
import io
import lzma
import zlib
from collections.abc import Callable
from functools import partial
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any, BinaryIO, Final

from benchlog.errors import DataError
from benchlog.exchange.file_limits import beyond

_MEMORY: Final = (
    2**28
)  # octets that xz may take; our rule: its largest preset takes 65 MB
_PIECE: Final = 65_536
_SUFFIXES: Final = (".gz", ".bz2", ".xz", ".zst")
_XZ: Final = b"\xfd7zXZ\x00"
_ZSTD: Final = b"\x28\xb5\x2f\xfd"
_ZSTD_MODULE: Final = "compression.zstd"
"""In the standard library from Python 3.14 on."""
DAMAGED: Final = (EOFError, zlib.error, lzma.LZMAError, ValueError)
"""What comes of a compressed file that is damaged, besides OSError."""


def open_octets(path: Path, most: int) -> tuple[BinaryIO, BinaryIO]:
    """Return the octets of a file, expanded if it is compressed, and the file itself.

    The second tells how much of it has been read; closing it closes both. Reading
    raises DataError once more than `most` octets have come out, and OSError or one of
    `DAMAGED` when the file is damaged. Raises OSError, and DataError for zstd without a
    module for it.
    """
    stream = path.open("rb")
    try:
        maker = _maker(path, stream.read(len(_XZ)))
        stream.seek(0)
    except BaseException:
        stream.close()
        raise
    if maker is None:
        return stream, stream
    expanded = _Expanded(stream, maker, partial(_too_much, path, most), most)
    return io.BufferedReader(expanded, _PIECE), stream


def open_zlib(path: Path, packed: BinaryIO, most: int) -> BinaryIO:
    """Return octets packed with zlib (RFC 1950), expanded, as `open_octets` does."""
    maker = partial(_Zlib, zlib.MAX_WBITS)
    expanded = _Expanded(packed, maker, partial(_too_much, path, most), most)
    return io.BufferedReader(expanded, _PIECE)


def plain_name(path: Path) -> str:
    """Return the name of a file without the suffix of its compression."""
    return path.stem if path.suffix.lower() in _SUFFIXES else path.name


def _too_much(path: Path, most: int) -> DataError:
    return beyond(path, f"expands to more than {most / 2**20:,.0f} MB", "megabytes")


def _maker(path: Path, start: bytes) -> Callable[[], Any] | None:
    """Return what makes a decompressor for a file that begins so; None for text."""
    if start.startswith(b"\x1f\x8b"):
        return partial(_Zlib, 16 + zlib.MAX_WBITS)
    if start.startswith(b"BZh"):
        return bz2.BZ2Decompressor
    if start.startswith(_XZ):
        return partial(lzma.LZMADecompressor, lzma.FORMAT_XZ, _MEMORY)
    if start.startswith(_ZSTD):
        if find_spec(_ZSTD_MODULE.partition(".")[0]) is None:
            raise DataError(
                f"{path} is packed with zstd, which only Python 3.14 and newer read: "
                "unpack it, and import what comes out"
            )
        return import_module(_ZSTD_MODULE).ZstdDecompressor  # type: ignore[no-any-return]
    return None


class _Zlib:
    """A decompressor of gzip or zlib with the shape that those of bz2 and lzma have."""

    def __init__(self, wbits: int) -> None:
        self._inner = zlib.decompressobj(wbits=wbits)

    @property
    def eof(self) -> bool:
        return self._inner.eof

    @property
    def unused_data(self) -> bytes:
        return self._inner.unused_data

    @property
    def needs_input(self) -> bool:
        return not self._inner.unconsumed_tail

    def decompress(self, data: bytes, most: int) -> bytes:
        return self._inner.decompress(self._inner.unconsumed_tail + data, most)


class _Expanded(io.RawIOBase):
    """What a compressed file holds, member behind member, up to a bound."""

    def __init__(
        self,
        stream: BinaryIO,
        maker: Callable[[], Any],
        too_much: Callable[[], DataError],
        most: int,
    ) -> None:
        super().__init__()
        self._stream, self._make, self._too_much = stream, maker, too_much
        self._inner, self._left, self._waiting = maker(), most, b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        """Fill a buffer; returns 0 at the end."""
        data = self._next(len(buffer))
        self._left -= len(data)
        if self._left < 0:
            raise self._too_much()
        buffer[: len(data)] = data
        return len(data)

    def _next(self, most: int) -> bytes:
        while True:
            if self._inner.eof and not self._begin_member():
                return b""
            data = b""
            if self._inner.needs_input:
                data = self._waiting or self._stream.read(_PIECE)
                self._waiting = b""
                if not data:
                    raise EOFError("the compressed file ends early")
            found: bytes = self._inner.decompress(data, most)
            if found:
                return found

    def _begin_member(self) -> bool:
        """Begin the next member; False at the end. Zeros between are passed over.

        They count as what comes out: a file can end in a hole of any size.
        """
        rest = self._inner.unused_data.lstrip(b"\0")
        while not rest:
            piece = self._stream.read(_PIECE)
            if not piece:
                return False
            self._left -= len(piece)
            if self._left < 0:
                raise self._too_much()
            rest = piece.lstrip(b"\0")
        self._inner, self._waiting = self._make(), rest
        return True
