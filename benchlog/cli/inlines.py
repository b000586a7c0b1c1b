"""Measuring without a screen: the keeper in the foreground, told in plain lines."""

import contextlib
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from benchlog.cli.printing import say
from benchlog.clock import HostClock, host_clock
from benchlog.model import EventKind, RunPlan
from benchlog.recorder.keeper import Told, keep
from benchlog.units import NS_PER_S, format_ppm, format_u_ppm

_EVERY_NS: Final = NS_PER_S // 2


def measure_in_lines(
    plans: Sequence[RunPlan], database: Path, *, go_on: bool
) -> tuple[int, ...]:
    """Keep the runs in this process, told in lines; return their ids.

    Raises what prevents the start: InstrumentError, BusyError, StoreError.
    """
    tell = Narration().tell
    return keep(plans, database, host_clock(), tell=tell, go_on=go_on)


class Narration:
    """Says readings (at most two a second and run), events at once, and the end."""

    def __init__(self) -> None:
        self._clock = HostClock()
        self._due_ns: dict[int, int] = {}

    def tell(self, told: Told) -> None:
        """Say one thing the keeper tells; a reader that has gone away stops nothing."""
        line = self._line(told)
        if line:
            with contextlib.suppress(OSError):
                say(line)

    def _line(self, told: Told) -> str:
        event = told.event
        if told.kind == "begun":
            self._due_ns[told.run_id] = 0
        if told.kind == "ended":
            return f"run {told.run_id} ended: {told.text}"
        if told.kind == "reading" and self._due(told.run_id):
            return self._of_which(told.run_id) + reading_line(told)
        if event is None or event.kind == EventKind.ENDED:
            return ""
        if event.kind == EventKind.STARTED:
            return f"run {told.run_id} started: {event.text}"
        return self._of_which(told.run_id) + f"{event.kind}: {event.text}"

    def _of_which(self, run_id: int) -> str:
        return f"run {run_id}: " if len(self._due_ns) > 1 else ""

    def _due(self, run_id: int) -> bool:
        now_ns = self._clock.mono_ns()
        if now_ns < self._due_ns.get(run_id, 0):
            return False
        self._due_ns[run_id] = now_ns + _EVERY_NS
        return True


def reading_line(told: Told) -> str:
    """Return one line for the newest reading and how things stand with it."""
    reading, assessment = told.reading, told.assessment
    if reading is None or assessment is None:
        return ""
    ambient = "" if reading.ambient_c is None else f"  {reading.ambient_c:.1f} C"
    offset = format_ppm(assessment.offset_ppm, assessment.u_ppm)
    return (
        f"{assessment.stats.n:>6,}  {reading.frequency_hz:,.12g} Hz  "
        f"offset {offset} ppm  U {format_u_ppm(assessment.u_ppm)} ppm{ambient}  "
        f"{assessment.word}"
    )
