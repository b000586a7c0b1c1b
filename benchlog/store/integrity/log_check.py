"""Whether the write-ahead log of a database is as SQLite wrote it.

SQLite looks at the check sums of a log only when it opens one that nobody else has
open; a log that was overwritten meanwhile is read as it is, and after the next start
all that was written behind the damage is gone. Format: "The WAL-Mode File Format",
part of the documentation of SQLite, sections 1.1 and 2.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from benchlog.clock import host_sleep
from benchlog.store import files

_HEADER: Final = 32
_FRAME: Final = 24
_MAGIC: Final = 0x377F0682  # the last bit tells the byte order of the check sums
_WORDS: Final = 2**32
_PIECE: Final = 1 << 18  # our rule: bounds memory, however long the log is
_AGAIN_S: Final = 0.2  # our rule: longer than a frame takes to be written
Sum = tuple[int, int]
Weights = tuple[tuple[Sum, Sum], NDArray[np.uint32]]
"""How much the sum before counts in a and in b; of each word behind it, in two rows."""
_HEAD_WORDS: Final = 6
_UNSUMMED_WORDS: Final = 4  # salts, and the check sum itself


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


def look_at_log(path: Path) -> str:
    """Return what is wrong with the log of a database, empty where nothing is.

    A frame that is being written looks like damage: only what stays is believed.
    """
    log = files.wal_of(path)
    try:
        first = log_state(log)
        if not first.damaged:
            return ""
        host_sleep(_AGAIN_S)
        again = log_state(log)
    except OSError:
        return ""
    if not again.damaged or again.generation != first.generation:
        return ""
    if again.head_damaged:
        return f"the head of its log {log.name} was overwritten"
    return (
        f"its log {log.name} was overwritten: {again.beyond:,} pages behind the damage "
        f"are lost at the next start, {again.sound:,} before it are whole"
    )


def log_state(path: Path) -> LogState:
    """Read a log and return its state; of one that is empty, nothing.

    The log has no locks, so that reading it takes none from SQLite. It is read in
    pieces: where nobody could empty it for a while it may be larger than the database.
    Raises OSError.
    """
    try:
        with path.open("rb") as log:
            return _state_of(log)
    except FileNotFoundError:
        return LogState()


def _state_of(log: BinaryIO) -> LogState:
    data = log.read(_HEADER)
    if len(data) < _HEADER:
        return LogState()
    head = np.frombuffer(data, ">u4", 8)
    magic, page_size, salts = int(head[0]), int(head[2]), data[16:24]
    words = np.dtype(">u4" if magic & 1 else "<u4")
    if magic & ~1 != _MAGIC or not _is_page_size(page_size):
        return LogState(head_damaged=True)
    carry, weights = _weights(_HEAD_WORDS)
    (own,) = _summed(np.frombuffer(data, words, _HEAD_WORDS).reshape(1, -1), weights)
    so_far = _carried((0, 0), carry, own)
    if so_far != (int(head[6]), int(head[7])):
        return LogState(head_damaged=True)
    return _frames(_framed(log, _FRAME + page_size), salts, words, so_far)


def _framed(log: BinaryIO, step: int) -> Iterator[tuple[bytes, int]]:
    """Yield pieces of whole frames, one after the other, each with a frame's size."""
    at_once = max(1, _PIECE // step) * step
    while len(piece := log.read(at_once)) >= step:
        yield piece[: len(piece) - len(piece) % step], step


def _is_page_size(size: int) -> bool:
    return 512 <= size <= 65_536 and size & (size - 1) == 0


def _frames(
    pieces: Iterable[tuple[bytes, int]],
    salts: bytes,
    words: "np.dtype[np.uint32]",
    start: Sum,
) -> LogState:
    so_far, sound, beyond = start, 0, 0
    for piece, step in pieces:
        carry, weights = _weights_of_frame(step // 4)
        sums = _summed(np.frombuffer(piece, words).reshape(-1, step // 4), weights)
        told = np.frombuffer(piece, ">u4").reshape(-1, step // 4)[:, 4:6].tolist()
        for at, (own, said) in enumerate(zip(sums, told, strict=True)):
            if piece[at * step + 8 : at * step + 16] != salts:
                continue  # of the round before: the end
            now = _carried(so_far, carry, own)
            if beyond or now != tuple(said):
                beyond += 1
                continue
            so_far, sound = now, sound + 1
    return LogState(generation=salts, sound=sound, beyond=beyond)


def _summed(rows: NDArray[np.uint32], weights: NDArray[np.uint32]) -> list[Sum]:
    """Return what the words of each row add to the check sum before it.

    SQLite takes words in pairs: a += x + b; b += y + a. That is linear, so that a sum
    of products with the weights of each place gives it at once, modulo 2^32, which is
    what numbers of 32 bits are by themselves.
    """
    plain = rows.astype(np.uint32, copy=False)
    both = (np.einsum("ij,j->i", plain, one).tolist() for one in weights)
    return list(zip(*both, strict=True))


def _carried(before: Sum, carry: tuple[Sum, Sum], own: Sum) -> Sum:
    """Return the check sum behind words, of the one before and what they add."""
    (a, b), (in_a, in_b) = before, carry
    return (
        (a * in_a[0] + b * in_a[1] + own[0]) % _WORDS,
        (a * in_b[0] + b * in_b[1] + own[1]) % _WORDS,
    )


@lru_cache(maxsize=4)  # of pages of one size or a few
def _weights_of_frame(count: int) -> Weights:
    """Return the weights of a whole frame: of its head, two words are summed alone."""
    carry, weights = _weights(count - _UNSUMMED_WORDS)
    unsummed = np.zeros((2, _UNSUMMED_WORDS), np.uint32)
    return carry, np.concatenate([weights[:, :2], unsummed, weights[:, 2:]], axis=1)


def _weights(count: int) -> Weights:
    """Return how much the sum before and each of `count` words count in a and in b."""
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
    table = np.array(found[::-1], np.uint64).astype(np.uint32)
    return (a_row, b_row), np.ascontiguousarray(table.T)
