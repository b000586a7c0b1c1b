"""Ambient and other conditions beside a run.

The newest ambient value, how long it stands, what is said of it.
"""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from benchlog.model import EventKind
from benchlog.units import (
    NS_PER_S,
    as_stated,
)

_STALE_S: Final = 10.0  # our rule: rooms move slowly
# real seconds that a probe may take until it gives a value; our rule
_AWAKE_S: Final = 10.0
# values before the newest: more than a pipe holds (`PIPE_BYTES`); our rule
_KEPT: Final = 8_192
_RANGE_SLACK_C: Final = 0.5  # our rule: no flutter at an end of the range


@dataclass(slots=True)
class Ambient:
    """What a probe says: the newest value, how old it may become, and those before it.

    A keeper that was away finds readings and values of some minutes, one kind before
    the other: each reading gets the value that stood at its own time.
    """

    value_c: float
    mono_ns: int
    good_for_s: float
    typed: bool = False
    _times_ns: list[int] = field(init=False)
    _values_c: list[float] = field(init=False)

    def __post_init__(self) -> None:
        self._times_ns, self._values_c = [self.mono_ns], [self.value_c]

    def note(self, value_c: float, mono_ns: int) -> None:
        """Take in a newer value; one that is no newer says nothing."""
        if mono_ns <= self.mono_ns:
            return
        self.value_c, self.mono_ns = value_c, mono_ns
        self._times_ns.append(mono_ns)
        self._values_c.append(value_c)
        if len(self._times_ns) > 2 * _KEPT:
            del self._times_ns[:_KEPT], self._values_c[:_KEPT]

    def at(self, mono_ns: int) -> float | None:
        """Return the value that stands at that time, if one does.

        It is the newest that is not younger; of a probe that had said nothing yet, the
        first one, where that came as soon after as a value may be old.
        """
        if mono_ns >= self.mono_ns:
            found = len(self._times_ns) - 1
        else:
            found = max(bisect_right(self._times_ns, mono_ns) - 1, 0)
        apart_s = (mono_ns - self._times_ns[found]) / NS_PER_S
        most_s = max(self.good_for_s, _STALE_S) if apart_s >= 0 else _STALE_S
        return self._values_c[found] if abs(apart_s) <= most_s else None


class AmbientNews:
    """Says once when a probe falls silent, and when its values leave a range.

    Parameters
    ----------
    probe : str
        The instrument that gives them.
    promised_c : (low, high) | None
        The range that the part is promised for.
    real_s : float
        The real seconds in one of the bench.

    """

    def __init__(
        self, probe: str, promised_c: tuple[float, float] | None, real_s: float
    ) -> None:
        self._probe, self._promised_c = probe, promised_c
        self._awake_s = _AWAKE_S / real_s
        self._lost = self._beyond = False

    def of(
        self, newest: Ambient | None, now_c: float | None, since_s: float
    ) -> Iterator[tuple[EventKind, str]]:
        """Yield kind and text of what is new.

        `now_c` is what stands, if anything. Where a run has just gone on, `since_s`
        ago, its probe wakes and nothing is said of its silence.
        """
        if now_c is None and since_s < self._awake_s:
            return
        lost = newest is not None and now_c is None
        if lost != self._lost:
            self._lost = lost
            name = self._probe
            yield (
                (
                    EventKind.AMBIENT_LOST,
                    f"no ambient value from {name!r} lately: left empty until it is "
                    "back",
                )
                if lost
                else (EventKind.BACK, "ambient is back")
            )
        if self._promised_c is not None and now_c is not None:
            yield from self._of_range(now_c, *self._promised_c)

    def _of_range(
        self, now_c: float, low_c: float, high_c: float
    ) -> Iterator[tuple[EventKind, str]]:
        slack_c = _RANGE_SLACK_C if self._beyond else 0.0
        beyond = not low_c + slack_c <= now_c <= high_c - slack_c
        if beyond == self._beyond:
            return
        self._beyond = beyond
        where = "outside" if beyond else "within"
        promised = f"{as_stated(low_c)} to {as_stated(high_c)} C"
        text = f"ambient {now_c:.1f} C is {where} the part's {promised}"
        yield EventKind.AMBIENT_RANGE, text
