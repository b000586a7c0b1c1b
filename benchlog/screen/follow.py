"""Following one run in the store: new rows only, in pieces, at a constant cost."""

from collections import deque
from contextlib import suppress
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Final

from benchlog.clock import Clock, host_deadline
from benchlog.errors import BenchlogError, DataError, NoFiguresError, StoreError
from benchlog.evaluation.figured import figured_outline
from benchlog.evaluation.run_evaluation import RunEvaluator, known_now
from benchlog.model import (
    Event,
    EventKind,
    Purpose,
    Run,
)
from benchlog.plotting.offset_trace import Spans, Trace, preview
from benchlog.screen.run_status import KeeperStatus, RunStatus, trouble_after
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S
from benchlog.verdict import Assessment
from benchlog.verdict.soak.soak_summary import SoakWatch

PIECE: Final = 16_384
"""Readings taken at a time; a piece takes a few hundredths of a second."""
_MOST_TICK_S: Final = 0.1
"""Real seconds that reading may take of a tick: a key is answered at once."""
_LONG: Final = 50_000
"""A run from so many readings on is shown by its outline at first."""
_KEPT_EVENTS: Final = 500
_SHOWN_EVENTS: Final = 64
_RUN_ROW_EVERY: Final = 20
_LOOK_AROUND_EVERY: Final = 20


class Follower:
    """Reads what is new of one run and keeps figures, trace and events up to date.

    Nothing is computed twice: the judge and the trace are fed each reading once. Raises
    NotFoundError when there is no such run, StoreError when the store cannot be read.
    """

    def __init__(self, database: Path, run_id: int, clock: Clock) -> None:
        self._database, self._clock = database, clock
        self._reader = Reader.open(database)
        self.run: Run = self._row(run_id)
        self.keeper = KeeperStatus()
        self.fault = ""
        self.events: deque[Event] = deque(maxlen=_KEPT_EVENTS)
        self.trouble: Event | None = None
        self._last_event = 0
        self._ticks = 0
        self._adrift = False
        self._waiting = (0, 0)
        self._begin()

    def _row(self, run_id: int) -> Run:
        """Return the run with what is known by now of the check it rests on."""
        return known_now(self._reader, self._reader.run(run_id))

    def _begin(self) -> None:
        run = self.run
        is_soak = run.made_for is Purpose.SOAK
        self._evaluator = RunEvaluator(run, summarize=is_soak)
        self.trace = Trace(run.started_utc_ns, run.nominal_hz, run.divider)
        self.readings = 0
        self._last_id = self._last_condition = 0
        self._last_mono_ns = -1
        self._assessment: Assessment | None = None
        self._stale = True
        pulses = self._evaluator.of_pulses
        self._target = run.readings if pulses else self._reader.count(run.id)
        self._preview: Spans | None = None
        if self._target > _LONG:
            with suppress(NoFiguresError):  # told when its readings are gone through
                outline = figured_outline(run.id, self._reader.outline(run.id))
                self._preview = preview(outline, run)

    @property
    def caught_up(self) -> bool:
        """Whether all readings that were there at the start have been gone through."""
        return self.readings >= self._target

    @property
    def over(self) -> bool:
        """Whether nothing can come any more: the run has ended and all is read."""
        return not self.run.open and self.caught_up

    def read_new(self, most: int = PIECE) -> int:
        """Read up to `most` new readings, or new pulses; return how many came."""
        if self._evaluator.of_pulses:
            return self._read_new_pulses()
        columns = self._reader.columns_after(self.run.id, self._last_id, most)
        if not len(columns):
            self._target = min(self._target, self.readings)
            return 0
        self._evaluator.feed_from(self._reader, columns)
        self.trace.feed(columns)
        self.readings += len(columns)
        self._last_id = int(columns.id[-1])
        self._last_mono_ns = int(columns.mono_ns[-1])
        self._stale = True
        if self.trouble is not None and self.trouble.mono_ns < self._last_mono_ns:
            self.trouble = None
        return len(columns)

    def _read_behind(self) -> int:
        """Read what is new, or as much as a screen has time for; return how many.

        A counter that streams gives more than one piece from tick to tick.
        """
        limit = host_deadline(_MOST_TICK_S)
        came = piece = self.read_new()
        while piece == PIECE and not limit.passed:
            piece = self.read_new()
            came += piece
        return came

    def _read_new_pulses(self) -> int:
        """Take in new pulses; figures and chart come later, a few times a second."""
        pulses = self._reader.pulses_after(
            self.run.id, self._last_id, condition=self._last_condition
        )
        came = self._evaluator.feed(pulses)
        self._last_condition = pulses.last_condition
        if not len(pulses):
            self._target = min(self._target, self.readings)
            return 0
        self.readings += came
        self._last_id = int(pulses.id[-1])
        self._last_mono_ns = int(pulses.mono_ns[-1])
        self._stale = True
        return len(pulses)

    def look(self) -> None:
        """Take in new events; see whether the run's own row has changed."""
        self._ticks += 1
        if self._adrift or self._ticks % _LOOK_AROUND_EVERY == 0:
            self._look_around()
        for number, event in self._reader.events(self.run.id, self._last_event):
            self._last_event = number
            self.events.append(event)
            # of pulses, others than those that are missing may have come since
            newest_ns = -1 if self._evaluator.of_pulses else self._last_mono_ns
            self.trouble = trouble_after(self.trouble, event, newest_ns)
        # the event comes first, the row is closed a moment later
        ending = bool(self.events) and self.events[-1].kind == EventKind.ENDED
        if self.run.open and (ending or self._ticks % _RUN_ROW_EVERY == 0):
            self.look_at_row()

    def look_at_row(self) -> None:
        """Read the run's own row anew: whether it ended, resolution, time base."""
        before, self.run = self.run, self._row(self.run.id)
        rests_on = before.resolution_hz, before.timebase
        if (self.run.resolution_hz, self.run.timebase) != rests_on:
            self._begin()
            if self._target <= PIECE:  # or figures would vanish for a second
                self.read_new()
        if before.ended_how != self.run.ended_how:  # a run cut short has no verdict
            self._evaluator.run, self._stale = self.run, True
        if not self.run.open:
            self.keeper = KeeperStatus()

    def _look_around(self) -> None:
        """Open the database anew when another file stands at its path by now.

        A keeper whose file was removed brings it back as a copy; rows keep their ids.
        """
        if self._reader.still_there():
            return
        self._adrift = True
        reader = Reader.open(self._database)
        if not any(self._is_this(run) for run in reader.runs(device=self.run.device)):
            reader.close()
            raise StoreError(
                f"{self._database} was replaced by another database; this run goes on "
                "elsewhere, see the keeper's messages"
            )
        self._reader.close()
        self._reader, self._adrift = reader, False

    def _is_this(self, run: Run) -> bool:
        mine = self.run
        return (run.id, run.started_utc_ns) == (mine.id, mine.started_utc_ns)

    def tick(self) -> bool:
        """Take in what is new; return whether anything came. Never raises ours."""
        if self.over:
            return self._amended()
        known = self.run
        try:
            came = self._read_behind()
            self.look()
        except BenchlogError as error:
            self.fault = str(error)
            return True
        changed = bool(came) or bool(self.fault) or self.run != known
        self.fault = ""
        return changed

    def _amended(self) -> bool:
        """Return whether a person has said something of the run that has ended."""
        self._ticks += 1
        if self._ticks % _RUN_ROW_EVERY:
            return False
        known = self.run
        try:
            self.look_at_row()
        except BenchlogError as error:
            self.fault = str(error)
            return True
        changed, self.fault = self.run != known or bool(self.fault), ""
        return changed

    def assess(self) -> Assessment | None:
        """Return the figures so far; computed only when readings have come since."""
        if self._stale and self.caught_up:
            self._assessment, self._stale = self._evaluator.assessment(), False
            if self._evaluator.of_pulses:
                run = self.run
                # offsets over stretches of the pulses, of all of them anew
                self.trace = Trace(run.started_utc_ns, run.nominal_hz, run.divider)
                self.trace.feed(self._evaluator.charted())
        return self._assessment

    def summary_parts(self) -> tuple[SoakWatch, Assessment, list[Event]]:
        """Return what the summary of a soak is worked out of, safe to hand to a thread.

        Raises DataError for a run that is no soak, or not gone through yet.
        """
        assessment = self.assess()
        if assessment is None:
            raise DataError("there is no summary of this run yet")
        events = [event for _, event in self._reader.events(self.run.id)]
        return self._evaluator.watched(), assessment, events

    def standing(self) -> RunStatus:
        """Return how the run stands now."""
        loaded = self.readings / self._target if self._target else 1.0
        return RunStatus(
            run=self.run,
            assessment=self._assessment,
            readings=self.readings,
            elapsed_s=self.elapsed_s,
            events=tuple(islice(reversed(self.events), _SHOWN_EVENTS))[::-1],
            trouble=self.trouble,
            keeper=self.keeper,
            loaded=min(1.0, loaded),
            fault=self.fault,
        )

    def heard(self, keeper: KeeperStatus) -> None:
        """Take in what the keeper says of itself; a closed run needs none.

        Rows wait for a moment all the time. They are held up when the keeper has some
        twice in a row and none has come through between.
        """
        if keeper.state == "gone":
            self.look_at_row()
        before, self._waiting = self._waiting, (keeper.rows_waiting, self._last_id)
        held = min(before[0], keeper.rows_waiting) if before[1] == self._last_id else 0
        self.keeper = (
            replace(keeper, rows_waiting=held) if self.run.open else KeeperStatus()
        )

    def moment(self) -> tuple[int, int]:
        """Return this moment in ns on the bench's clock: UTC, monotonic."""
        return self._clock.utc_ns(), self._clock.mono_ns()

    @property
    def elapsed_s(self) -> float:
        """Bench time since the run began, or that it lasted."""
        run = self.run
        if run.purpose is Purpose.IMPORT or self.keeper.state == "gone":
            return self.end_s
        until_ns = self._clock.utc_ns() if run.open else run.ended_utc_ns
        return max(0.0, ((until_ns or 0) - run.started_utc_ns) / NS_PER_S)

    @property
    def end_s(self) -> float:
        """Where the newest reading lies, in s since the run began."""
        if self._preview is not None and not self.caught_up:
            return float(self._preview.t_s[-1])
        return self.trace.end_s

    def close(self) -> None:
        """Let go of the database."""
        self._reader.close()

    def spans(self, begin_s: float, end_s: float) -> Spans:
        """Return the trace between two moments, corrected for the time base."""
        timebase = self._evaluator.timebase
        if self._preview is not None and not self.caught_up:
            spans = self._preview.within(begin_s, end_s)
        else:
            spans = self.trace.spans(begin_s, end_s)
        return spans.corrected(timebase.offset_ppm)
