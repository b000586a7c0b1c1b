"""Check sums that travel with an export: was it changed after it was written?

They guard against accidents and honest editing, not against forgery: whoever changes
a file may work out the sum anew.
"""

import hashlib
from collections.abc import Iterable, Mapping
from typing import Any, Final

import numpy as np

COLUMNS: Final = {
    "segment": "<i8",
    "utc_ns": "<i8",
    "mono_ns": "<i8",
    "gate_s": "<f8",
    "frequency_hz": "<f8",
    "ambient_c": "<f8",
    "flags": "<i8",
}
"""The columns of readings whose numbers are summed, in this order, and as what."""


class LineSum:
    """SHA-256 (FIPS 180-4) over lines, whichever line ends they travelled with."""

    def __init__(self) -> None:
        self._sum = hashlib.sha256()

    def add_line(self, line: str) -> str:
        """Add a line, with or without its end; return it as it was given."""
        plain = line.rstrip("\r\n")
        self._sum.update(plain.encode(errors="surrogateescape") + b"\n")
        return line

    def add_lines(self, text: str) -> str:
        """Add lines that each end in a line feed; return them as they were given."""
        self._sum.update(text.encode(errors="surrogateescape"))
        return text

    def text(self) -> str:
        """Return the sum of what was added, as hexadecimal digits."""
        return self._sum.hexdigest()


class ColumnSum:
    """SHA-256 over columns of readings, however they are cut into pieces."""

    def __init__(self) -> None:
        self._sums = {name: hashlib.sha256() for name in COLUMNS}
        self._texts = hashlib.sha256()
        self._count = 0

    def add_readings(
        self, columns: Mapping[str, Any], texts: Iterable[str | None]
    ) -> None:
        """Add the next readings: arrays of shape (n,), and their raw texts or None.

        Unknown is -1 in `utc_ns` and NaN in `ambient_c`.
        """
        for name, one in self._sums.items():
            one.update(_canonical(columns[name], COLUMNS[name]))
        for place, text in enumerate(texts, self._count):
            if text is not None:
                octets = text.encode(errors="surrogatepass")
                self._texts.update(b"%d %d " % (place, len(octets)) + octets)
        self._count += len(columns["mono_ns"])

    def text(self, rest: bytes) -> str:
        """Return the sum of what was taken, and of head and packed rows beside it."""
        whole = hashlib.sha256(rest)
        for one in (*self._sums.values(), self._texts):
            whole.update(one.digest())
        return whole.hexdigest()


def _canonical(values: Any, kind: str) -> bytes:
    """Return the octets of numbers; every NaN is the same one."""
    array = np.asarray(values, dtype=kind)
    if array.dtype.kind == "f":
        array = np.where(np.isnan(array), np.nan, array)
    return array.tobytes()
