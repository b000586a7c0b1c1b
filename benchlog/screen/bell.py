"""When the bell rings: for an alarm, once a verdict is clear, when it then changes."""

from typing import Final

from benchlog.model import Decision, Event, EventKind
from benchlog.screen.figures import not_counted
from benchlog.screen.run_status import RunStatus
from benchlog.verdict import Assessment, is_clear

_USUAL_READINGS: Final = 10


class Bell:
    """Remembers what it rang for; a run that had ended before is silent."""

    def __init__(self) -> None:
        self._rung: Decision | None = None
        self._seen_live = False
        self._alarm: Event | None = None

    def alarmed(self, standing: RunStatus) -> bool:
        """Whether there is an alarm that has not rung; what was there before has."""
        alarms = [e for e in standing.events if e.kind == EventKind.ALARM]
        before, self._alarm = self._alarm, alarms[-1] if alarms else self._alarm
        was_live, self._seen_live = self._seen_live, self._seen_live or standing.live
        return was_live and self._alarm != before

    def rings(self, standing: RunStatus, assessment: Assessment | None) -> bool:
        """Whether to ring now."""
        self._seen_live = self._seen_live or standing.live
        counts = not not_counted(standing.run, live=standing.live)
        if assessment is None or not self._seen_live or not counts:
            return False
        asked = standing.run.min_readings
        fewest = _USUAL_READINGS if asked is None else asked
        if not is_clear(assessment, fewest) or assessment.word is self._rung:
            return False
        self._rung = assessment.word
        return True
