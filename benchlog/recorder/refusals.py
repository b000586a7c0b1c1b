"""What is said of values that were refused: each one, but repeats are counted.

A driver that has gone wrong may hand over one value ten thousand times in a second. It
is kept with its raw bytes when it first comes; how often it came again is said once.
"""

from benchlog.model import Sample

Said = tuple[str, bytes]


class Refusals:
    """Turns refused samples into the texts of events, with their raw bytes."""

    def __init__(self) -> None:
        self._last: Sample | None = None
        self._again = 0

    def of(self, sample: Sample, reason: str) -> list[Said]:
        """Return what is to be said of a refused sample."""
        if sample == self._last:
            self._again += 1
            return []
        said = self.over()
        self._last = sample
        return [*said, (f"value refused, {reason}", sample.raw)]

    def over(self) -> list[Said]:
        """Return how often the last one came again, now that it comes no more."""
        last, again = self._last, self._again
        self._last, self._again = None, 0
        if last is None or not again:
            return []
        times = "once more" if again == 1 else f"{again:,} times more"
        return [(f"the same value came {times}, refused like the first", last.raw)]
