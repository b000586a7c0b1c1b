"""Ambient and other conditions beside a run.

The newest ambient value, how long it stands, what is said of it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from benchlog.model import EventKind
from benchlog.units import (
    NS_PER_S,
    as_stated,
)

_STALE_S: Final = 10.0  # our rule: rooms move slowly
# real seconds that a probe may take until it gives a value; our rule
_AWAKE_S: Final = 10.0
_RANGE_SLACK_C: Final = 0.5  # our rule: no flutter at an end of the range


@dataclass(frozen=True, slots=True)
class Ambient:
    """The newest ambient value: when it came, and how old it may become."""

    value_c: float
    mono_ns: int
    good_for_s: float
    typed: bool = False

    def at(self, mono_ns: int) -> float | None:
        """Return the value if it still stands at that time."""
        age_s = (mono_ns - self.mono_ns) / NS_PER_S
        return self.value_c if age_s <= max(self.good_for_s, _STALE_S) else None


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
