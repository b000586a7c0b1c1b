"""A run's readings on their way out, as arrays, some at a time."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import Columns, Run
from benchlog.store.reader import Reader

UNDATED: Final = -1
"""What Columns have where there is no time stamp."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """Readings of a run, the texts that some of them have, and which are undated.

    `raw` has a text by the id of its reading, `undated` the shape (n,).
    """

    columns: Columns
    raw: dict[int, str]
    undated: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.columns)


def chunks_of(reader: Reader, run: Run, size: int) -> Iterator[Chunk]:
    """Yield the readings up to the newest of now, `size` at a time."""
    last_id = reader.last_id(run.id)
    for columns in reader.chunks(run.id, size):
        within = int(np.searchsorted(columns.id, last_id, side="right"))
        if within < len(columns):
            names = Columns.__slots__
            columns = Columns(*(getattr(columns, n)[:within] for n in names))  # noqa: PLW2901
        if not within:
            return
        first, last = int(columns.id[0]), int(columns.id[-1])
        undated = columns.utc_ns == UNDATED
        if undated.any():  # one ns before 1970 is a time stamp, too
            dated = reader.stamped_within(run.id, first, last, UNDATED)
            undated &= ~np.isin(columns.id, dated)
        yield Chunk(columns, reader.raw_within(run.id, first, last), undated)
