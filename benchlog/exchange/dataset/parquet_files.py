"""Parquet files of a dataset, opened: what is read of one is bounded by its own size.

A file of some kilobytes can stand for gigabytes (repeated rows, repeated texts, packed
zeros), and others fill the folder, too. What a file tells of itself is looked at before
anything is read, and not believed: what comes out is counted again.
"""

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Final

from benchlog.errors import DataError
from benchlog.exchange.arrow import arrow
from benchlog.exchange.dataset.folders import Folder
from benchlog.exchange.memory_bound import memory_for_more
from benchlog.store.snapshot import UNREADABLE
from benchlog.units import printable

RAISE: Final = "BENCHLOG_DATASET_MB"
"""The environment variable by which a person lets a dataset take more memory."""
_MB: Final = 2**20
_MOST_MB: Final = 1_024
"""Of runs or lots in memory; our rule: some three million runs take so much."""
_TIMES: Final = 32
"""Our rule: runs take four times their file in memory, and their texts may repeat."""
_SPARE_MB: Final = 64
"""Beyond `_TIMES`, of all files together; our rule: a note repeated in each run."""
_PIECE_MB: Final = 512
"""Of a piece of readings; our rule: 131,072 of them take 14 MB."""
_ROW_OCTETS: Final = {"runs": 16, "readings": 1, "lots": 4}
"""Octets of a file that a row needs at least, however well it is packed.

A run has a UUID of 16 octets (RFC 9562), which cannot be packed; readings and lots
have stamps of their own.
"""
_BATCH: Final = 1_024
_MOST_SAID: Final = 400  # our rule: five lines of a terminal
_REMEDY: Final = "move it away, and export its bench again"


@dataclass(slots=True)
class MemoryAllowance:
    """How much memory what is read of a dataset may take, and what is left of it."""

    left: int = field(default_factory=lambda: max(_MOST_MB, _raised_mb()) * _MB)
    spare: int = field(default_factory=lambda: max(_SPARE_MB, _raised_mb()) * _MB)

    def of_file(self, size: int) -> int:
        """Return the octets that a file of `size` octets may take in memory."""
        return min(self.left, _TIMES * size + self.spare)

    def note(self, size: int, octets: int) -> None:
        """Note what a file of `size` octets has taken."""
        self.left -= octets
        self.spare -= max(0, octets - _TIMES * size)


def _raised_mb() -> int:
    said = os.environ.get(RAISE, "")
    return int(said) if said.isdecimal() and len(said) <= 9 else 0


class SmallFile:
    """A file of runs or of lots that is open, and what it may take."""

    def __init__(
        self, file: Any, where: str, size: int, allowance: MemoryAllowance
    ) -> None:
        self._file, self._where, self._size = file, where, size
        self._allowance = allowance

    @property
    def notes(self) -> Mapping[bytes, Any]:
        """What its writer noted for the whole file, as octets."""
        return dict(self._file.metadata.metadata or {})

    def read(self, names: Sequence[str] | None = None) -> Any:
        """Return those of the named columns that it has, as a table; None: all.

        Raises DataError where they take more memory than a sound file does, and what
        pyarrow raises where the file is damaged.
        """
        file, size = self._file, self._size
        schema = file.schema_arrow
        there = [n for n in schema.names if names is None or n in names]
        allowed, taken, batches = self._allowance.of_file(size), 0, []
        for batch in file.iter_batches(_BATCH, columns=there, use_threads=False):
            taken += batch.nbytes
            if taken > allowed:
                raise _too_large(self._where, size, allowed)
            batches.append(batch)
        self._allowance.note(size, taken)
        kept = arrow().schema([schema.field(name) for name in there])
        table = arrow().Table.from_batches(batches, None if batches else kept)
        table.validate(full=True)  # a text that is no UTF-8 is told here
        return table.select([n for n in names or there if n in there])


@contextmanager
def small_file(
    folder: Folder, name: str, allowance: MemoryAllowance | None = None
) -> Iterator[SmallFile]:
    """Read a file of runs or of lots as a whole, and open it.

    `allowance` is that of all files that stay in memory together; None: of this one
    alone. Raises DataError when it is damaged or larger than a sound one.
    """
    where, together = folder.where(name), allowance or MemoryAllowance()
    most = together.left
    data = folder.read(name, most)
    if data is None:
        raise DataError(
            f"{where} is larger than the {most / _MB:,.0f} MB that are left for it: "
            f"ask the dataset in SQL (queries.sql), or set {RAISE} in the environment "
            "to the MB that it may take"
        )
    size = len(data)
    allowed = together.of_file(size)
    with (
        _bounded(where, size, allowed),
        _parquet(folder, name, arrow().BufferReader(data), size) as file,
    ):
        if _told_octets(file, sum) > allowed:
            raise _too_large(where, size, allowed)
        yield SmallFile(file, where, size, together)


@contextmanager
def parquet_file(folder: Folder, name: str) -> Iterator[Any]:
    """Open a file of readings to be read in pieces.

    Raises DataError when it is damaged, or a piece takes more memory than a sound one.
    Raises FileNotFoundError where whoever replaced a pack removed the one before.
    """
    with folder.opened(name) as source:
        source.seek(0, os.SEEK_END)
        size = source.tell()
        source.seek(0)
        where, most = folder.where(name), max(_PIECE_MB, _raised_mb()) * _MB
        with (
            _bounded(where, size, most),
            _parquet(folder, name, source, size) as file,
        ):
            if _told_octets(file, max) > most:
                raise _too_large(where, size, most)
            yield file


@contextmanager
def _bounded(where: str, size: int, octets: int) -> Iterator[None]:
    """Bound the memory that a file takes which is opened in here."""
    try:
        with memory_for_more(octets):
            yield
    except MemoryError as error:
        raise _too_large(where, size, octets) from error


def _told_octets(file: Any, of_groups: Callable[[list[int]], int]) -> int:
    """Return what a file tells of the octets of its row groups, unpacked."""
    metadata = file.metadata
    groups = range(metadata.num_row_groups)
    return of_groups([0, *(metadata.row_group(n).total_byte_size for n in groups)])


def _too_large(where: str, size: int, octets: int) -> DataError:
    return DataError(
        f"{where} ({size:,} octets) needs more than {octets / _MB:,.0f} MB of memory: "
        f"it is damaged, or somebody made it so; {_REMEDY}. If it is meant, set {RAISE}"
        " in the environment to the MB that a dataset may take"
    )


@contextmanager
def _parquet(folder: Folder, name: str, source: Any, size: int) -> Iterator[Any]:
    pa, pq = arrow(), arrow("pyarrow.parquet")
    try:
        with pq.ParquetFile(source) as file:
            _check_rows(folder, name, size, file.metadata.num_rows)
            yield file
    except (FileNotFoundError, MemoryError):  # the first of a file beside this one
        raise
    except (pa.ArrowException, OSError, *UNREADABLE) as error:
        why = printable((str(error).splitlines() or [repr(error)])[0])
        raise DataError(
            f"{folder.where(name)} is damaged ({why[:_MOST_SAID]}); {_REMEDY}"
        ) from error


def _check_rows(folder: Folder, name: str, size: int, rows: int) -> None:
    """Raise DataError where a file has more rows than its octets can tell apart."""
    table = name.partition("/")[0]
    if rows * _ROW_OCTETS.get(table, 1) > size:
        raise DataError(
            f"{folder.where(name)} has {rows:,} rows in {size:,} octets, where each "
            f"row of {table} takes {_ROW_OCTETS.get(table, 1)} at least: it is "
            f"damaged, or somebody made it so; {_REMEDY}"
        )
