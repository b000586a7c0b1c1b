"""Whether the keeper itself was away: frozen, or held up by the computer.

A keeper that did not run has heard nobody. What it then takes for an instrument's
silence is its own, so it excuses all instruments and tells that it was away.
"""

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from benchlog.clock import host_moment
from benchlog.units import NS_PER_S, format_duration

AWAY_S: Final = 2.0
"""Real seconds; our rule: half of what an instrument has beyond its promise, and far
more than a round of the loop takes."""
_CONTINUED_S: Final = (
    0.5  # our rule: below it nothing is missing; SIGCONT tells the rest
)


@dataclass(frozen=True, slots=True)
class Absence:
    """The keeper did not run for `real_s`; `text` is empty where the rows tell why."""

    real_s: float
    text: str


class OwnPace:
    """Compares how long a round of the loop took with how long it may take."""

    def __init__(self) -> None:
        self._seen_ns = host_moment().awake_ns
        self._worked_ns = 0

    @contextlib.contextmanager
    def own_work(self) -> Iterator[None]:
        """Leave out what takes long and is told elsewhere: a database in trouble."""
        began_ns = host_moment().awake_ns
        try:
            yield
        finally:
            self._worked_ns += host_moment().awake_ns - began_ns

    def look(self, waited_s: float, *, continued: bool) -> Absence | None:
        """Return how long the keeper was away since the last look, if it was.

        `waited_s` is for how long it meant to wait, `continued` whether it was told to
        go on after it had been stopped.
        """
        now_ns = host_moment().awake_ns
        away_s = (now_ns - self._seen_ns) / NS_PER_S - waited_s
        idle_s = away_s - self._worked_ns / NS_PER_S
        self._seen_ns, self._worked_ns = now_ns, 0
        if continued and away_s >= _CONTINUED_S:
            return Absence(away_s, _words("frozen", away_s))
        if idle_s >= AWAY_S:
            return Absence(idle_s, _words("frozen or held up", idle_s))
        return Absence(away_s, "") if away_s >= AWAY_S else None


def _words(how: str, away_s: float) -> str:
    away = format_duration(away_s)
    return f"the keeper itself was {how} for {away}: no instrument is to blame"
