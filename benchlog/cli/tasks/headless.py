"""Measuring without a screen: the keeper in the foreground, told in plain lines."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from benchlog.cli.narrator import Narrator
from benchlog.clock import HostClock, host_clock
from benchlog.model import EventKind, RunPlan
from benchlog.recorder.keeper import keep
from benchlog.recorder.narration import line_of, reading_line, standing_line
from benchlog.recorder.notice import RunNotice
from benchlog.recorder.run.resume import Resumed
from benchlog.units import NS_PER_S

_EVERY_S: Final = 0.5
_SOAK_EVERY_S: Final = 600.0


def measure_in_lines(
    plans: Sequence[RunPlan], database: Path, *, go_on: bool
) -> tuple[int, ...]:
    """Keep the runs in this process, told in lines; return their ids.

    Raises what prevents the start: InstrumentError, BusyError, StoreError.
    """
    with Narrator() as narrator:
        tell = Narration(narrator).tell
        return keep(plans, database, host_clock(), tell=tell, go_on=go_on)


def soak_in_lines(
    plans: Sequence[RunPlan],
    database: Path,
    *,
    go_on: bool,
    resume: Sequence[Resumed] = (),
) -> tuple[int, ...]:
    """As `measure_in_lines`, for a night: how it stands is said every ten minutes."""
    clock = host_clock()
    with Narrator() as narrator:
        tell = Narration(narrator, _SOAK_EVERY_S).tell
        return keep(plans, database, clock, tell=tell, go_on=go_on, resume=resume)


class RackNarration:
    """Says what all devices of a rack go through together once, not for each of them.

    How a run stands by readings is left out: most are taken while devices settle.
    """

    def __init__(self, narrator: Narrator) -> None:
        self._narrator = narrator
        self._narration = Narration(narrator, _SOAK_EVERY_S)
        self._first = 0

    def tell(self, told: RunNotice) -> None:
        """Say one thing the keeper tells."""
        self._first = self._first or told.run_id
        event = told.event
        of_all = event is not None and event.kind in (
            EventKind.SEQUENCE,
            EventKind.SETTER,
        )
        if not of_all and (event is not None or told.kind != "reading"):
            self._narration.tell(told)
        elif of_all and told.run_id in (0, self._first):
            self._narrator.say(line_of(told))


class Narration:
    """Says readings (one in `every_s` real seconds and run), events at once, the end.

    A long run's readings are said as how the run stands.
    """

    def __init__(self, narrator: Narrator, every_s: float = _EVERY_S) -> None:
        self._narrator = narrator
        self._clock = HostClock()
        self._every_ns = int(every_s * NS_PER_S)
        self._reading = reading_line if every_s == _EVERY_S else standing_line
        self._due_ns: dict[int, int] = {}

    def tell(self, told: RunNotice) -> None:
        """Say one thing the keeper tells; a reader that has gone away stops nothing."""
        line = self._line(told)
        if line:
            is_alarm = told.event is not None and told.event.kind == EventKind.ALARM
            self._narrator.say(line, ring=is_alarm)

    def _line(self, told: RunNotice) -> str:
        if told.kind == "begun":
            self._due_ns[told.run_id] = 0
        if told.kind == "reading":
            if not self._due(told.run_id):
                return ""
            return self._of_which(told.run_id) + self._reading(told)
        line = line_of(told)
        plain = told.event is None or told.event.kind == EventKind.STARTED
        return line if plain or not line else self._of_which(told.run_id) + line

    def _of_which(self, run_id: int) -> str:
        return f"run {run_id}: " if len(self._due_ns) > 1 else ""

    def _due(self, run_id: int) -> bool:
        now_ns = self._clock.mono_ns()
        if now_ns < self._due_ns.get(run_id, 0):
            return False
        self._due_ns[run_id] = now_ns + self._every_ns
        return True
