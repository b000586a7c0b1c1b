"""Whether the write-ahead log of a database is as SQLite wrote it.

SQLite looks at the check sums of a log only when it opens one that nobody else has
open; a log that was overwritten meanwhile is read as it is, and after the next start
all that was written behind the damage is gone. Format: "The WAL-Mode File Format",
part of the documentation of SQLite, sections 1.1 and 2.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

_HEADER: Final = 32
_FRAME: Final = 24
_MAGIC: Final = 0x377F0682  # the last bit tells the byte order of the check sums
_WORDS: Final = 2**32
Sum = tuple[int, int]


@dataclass(frozen=True, slots=True)
class LogState:
    """What a log holds: frames in order from its start, and what lies behind damage.

    `generation` tells one round of the log from the next. `beyond`: frames of this
    round behind one that is damaged.
    """

    generation: bytes = b""
    sound: int = 0
    beyond: int = 0
    head_damaged: bool = False

    @property
    def damaged(self) -> bool:
        """Whether a part was overwritten with something else."""
        return self.head_damaged or self.beyond > 0


def log_state(path: Path) -> LogState:
    """Read a log and return its state; of one that is empty, nothing.

    The log has no locks, so that reading it takes none from SQLite. Raises OSError.
    """
    data = path.read_bytes() if path.exists() else b""
    if len(data) < _HEADER:
        return LogState()
    head = np.frombuffer(data, ">u4", 8)
    magic, page_size, salts = int(head[0]), int(head[2]), data[16:24]
    words = np.dtype(">u4" if magic & 1 else "<u4")
    if magic & ~1 != _MAGIC or not _is_page_size(page_size):
        return LogState(head_damaged=True)
    so_far = _summed(np.frombuffer(data, words, 6), (0, 0))
    if so_far != (int(head[6]), int(head[7])):
        return LogState(head_damaged=True)
    return _frames(data, page_size, salts, words, so_far)


def _is_page_size(size: int) -> bool:
    return 512 <= size <= 65_536 and size & (size - 1) == 0


def _frames(
    data: bytes, page_size: int, salts: bytes, words: "np.dtype[np.uint32]", start: Sum
) -> LogState:
    step, so_far, sound, beyond = _FRAME + page_size, start, 0, 0
    weights = _weights((8 + page_size) // 4)
    for at in range(_HEADER, len(data) - step + 1, step):
        if beyond or data[at + 8 : at + 16] != salts:  # of the round before: the end
            beyond += data[at + 8 : at + 16] == salts
            continue
        body = data[at : at + 8] + data[at + _FRAME : at + step]
        now = _summed(np.frombuffer(body, words), so_far, weights)
        said = np.frombuffer(data, ">u4", 2, at + 16)
        if now != (int(said[0]), int(said[1])):
            beyond += 1
            continue
        so_far, sound = now, sound + 1
    return LogState(generation=salts, sound=sound, beyond=beyond)


def _summed(
    values: NDArray[np.uint32],
    before: Sum,
    weights: "tuple[NDArray[np.uint64], NDArray[np.uint64]] | None" = None,
) -> Sum:
    """Return the check sum of words behind a check sum, as SQLite makes it.

    It takes words in pairs: a += x + b; b += y + a. That is linear, so that a sum of
    products with the weights of each place gives it at once, modulo 2^32.
    """
    a_of, b_of = weights or _weights(len(values))
    whole = np.concatenate([np.array(before, np.uint64), values.astype(np.uint64)])
    return int(np.sum(whole * a_of) % _WORDS), int(np.sum(whole * b_of) % _WORDS)


def _weights(count: int) -> "tuple[NDArray[np.uint64], NDArray[np.uint64]]":
    """Return how much each word counts in a and in b; the sum before comes first."""
    a_row, b_row = (1, 0), (0, 1)  # of a and b at the end, by what comes last
    found: list[Sum] = []  # how much a word counts in a and in b, the last one first
    for _ in range(count // 2):
        # a pair (x, y) enters as a += x, and b += x + y
        x = (a_row[0] + a_row[1]) % _WORDS, (b_row[0] + b_row[1]) % _WORDS
        y = a_row[1], b_row[1]
        found += [y, x]
        # before the pair: a' = a + b, b' = a + 2 b
        a_row = x[0], (a_row[0] + 2 * a_row[1]) % _WORDS
        b_row = x[1], (b_row[0] + 2 * b_row[1]) % _WORDS
    before = [(a_row[0], b_row[0]), (a_row[1], b_row[1])]
    table = np.array([*before, *found[::-1]])
    unsigned = table.astype(np.uint64)
    return np.ascontiguousarray(unsigned[:, 0]), np.ascontiguousarray(unsigned[:, 1])
