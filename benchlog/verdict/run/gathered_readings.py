"""Readings that come one by one, gathered into batches for figures to be made of."""

from collections.abc import Iterator
from typing import Final

from benchlog.analysis.running import are_frequencies
from benchlog.analysis.settling import joined
from benchlog.model import Columns

TOGETHER: Final = 256  # our rule: for speed alone; more saves hardly anything


class Gathered:
    """Readings that wait, in order, until there are `TOGETHER` or all are asked for.

    Nothing that cannot be a frequency waits: what is fed with it raises its error then.
    """

    def __init__(self) -> None:
        self._waiting: list[Columns] = []
        self._n = 0

    def feed(self, batch: Columns) -> Iterator[Columns]:
        """Take in a batch; yield what is to be taken in now."""
        if not len(batch):
            return
        if not are_frequencies(batch.frequency_hz):
            yield from self.all()
            yield batch
            return
        self._waiting.append(batch)
        self._n += len(batch)
        if self._n >= TOGETHER:
            yield from self.all()

    def all(self) -> Iterator[Columns]:
        """Yield all that waits, as one batch; nothing waits then."""
        if self._waiting:
            waiting, self._waiting, self._n = self._waiting, [], 0
            yield joined(waiting)
