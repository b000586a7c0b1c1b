"""The runs of a database that go on, or ended lately: figures from what is new alone.

Each reading is fed once. A look costs what came since the last one, however long a run
is; the first look at a long run goes through all of it.
"""

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from benchlog.clock import Clock, Deadline, host_deadline
from benchlog.errors import StoreError, UnreadableRunError
from benchlog.evaluation.judged_alone import judged_alone
from benchlog.evaluation.run_evaluation import (
    BROKEN_OFF,
    Evaluation,
    RunEvaluator,
    known_now,
)
from benchlog.keepers import KnownKeepers
from benchlog.model import EventKind, Run
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S

MOST_RUNS: Final = 64  # our rule: more positions than a bench has
ENDED_S: Final = 3600.0  # our rule: whoever scrapes once in an hour sees how it ended
BROKEN_OFF_S: Final = 86_400.0  # our rule: whoever looks once a day sees it
_PIECE: Final = 16_384  # our rule: as the live screen takes them
_KEEPERS_EVERY_S: Final = 2.0  # our rule: a keeper answers one question in many gates


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """How a run stands at a moment; None is unknown.

    Parameters
    ----------
    evaluation : Evaluation
        Run, figures, verdict, state.
    readings : int
        How many readings, or pulses of the device, there are.
    age_s : float | None
        Time since the newest reading, or since the beginning while there is none; None
        of a run that has ended.
    frequency_hz, ambient_c : float | None
        The newest reading, of the device, and its ambient temperature.
    alarms : int
        How many alarms were raised in it.

    """

    evaluation: Evaluation
    readings: int
    age_s: float | None
    frequency_hz: float | None
    ambient_c: float | None
    alarms: int


class FollowedRun:
    """One run, fed with what is new of it at each look."""

    def __init__(self, run: Run) -> None:
        self._begin(run)
        self._last_event = self._alarms = 0

    def _begin(self, run: Run) -> None:
        self._evaluator = RunEvaluator(run)
        self._last_id = self._last_condition = self._readings = 0
        self._newest_ns: int | None = None
        self._frequency_hz: float | None = None
        self._ambient_c: float | None = None

    def look(self, reader: Reader, run: Run, state: str, now_ns: int) -> RunFacts:
        """Read what is new and return how the run stands.

        Raises StoreError, UnreadableRunError.
        """
        with judged_alone(run):
            before = self._evaluator.run
            if (run.part, run.timebase) != (before.part, before.timebase):
                self._begin(run)  # judged otherwise from now on
            self._evaluator.run = run
            if self._evaluator.of_pulses:
                self._read_pulses(reader)
            else:
                self._read_readings(reader)
            self._read_events(reader)
            return RunFacts(
                evaluation=Evaluation(
                    run=run, assessment=self._evaluator.assessment(), state=state
                ),
                readings=self._readings,
                age_s=self._age_s(run, now_ns),
                frequency_hz=self._frequency_hz,
                ambient_c=self._ambient_c,
                alarms=self._alarms,
            )

    def _read_readings(self, reader: Reader) -> None:
        run = self._evaluator.run
        while len(columns := reader.columns_after(run.id, self._last_id, _PIECE)):
            self._readings += self._evaluator.feed_from(reader, columns)
            self._last_id = int(columns.id[-1])
            if columns.utc_ns[-1] >= 0:  # an import may have no time stamps
                self._newest_ns = int(columns.utc_ns[-1])
            self._frequency_hz = float(columns.frequency_hz[-1]) * run.divider
            ambient = float(columns.ambient_c[-1])
            self._ambient_c = ambient if np.isfinite(ambient) else None

    def _read_pulses(self, reader: Reader) -> None:
        pulses = reader.pulses_after(
            self._evaluator.run.id, self._last_id, condition=self._last_condition
        )
        self._readings += self._evaluator.feed(pulses)
        self._last_condition = pulses.last_condition
        if len(pulses):
            self._last_id = int(pulses.id[-1])
            self._newest_ns = int(pulses.utc_ns[-1])

    def _read_events(self, reader: Reader) -> None:
        for number, event in reader.events(self._evaluator.run.id, self._last_event):
            self._last_event = number
            self._alarms += event.kind == EventKind.ALARM

    def _age_s(self, run: Run, now_ns: int) -> float | None:
        if not run.open:
            return None
        since_ns = run.started_utc_ns if self._newest_ns is None else self._newest_ns
        return max(0.0, (now_ns - since_ns) / NS_PER_S)


class FollowedRuns:
    """The runs of one database that go on or ended within an hour; for one thread.

    The database may not be there yet, and may be replaced by another file.
    """

    def __init__(self, database: Path, clock: Clock) -> None:
        self._database, self._clock = database, clock
        self._reader: Reader | None = None
        self._forget()

    @property
    def left_out(self) -> int:
        """How many runs could not be read so far."""
        told = self._reader.left_out if self._reader is not None else ()
        return len({f"run {one}" for one in self._unreadable} | set(told))

    def _forget(self) -> None:
        self._unreadable: set[int] = set()
        self._runs: dict[int, FollowedRun] = {}
        self._last_run = 0
        self._states: dict[int, str] = {}
        self._states_due: Deadline | None = None

    def look(self) -> list[RunFacts]:
        """Return how the runs stand, the oldest first. Raises StoreError."""
        reader = self._opened()
        now_ns = self._clock.utc_ns()
        rows = self._rows(reader, now_ns)
        states = self._states_of(rows)
        found = []
        for run in rows:
            try:
                followed = self._runs.setdefault(run.id, FollowedRun(run))
                facts = followed.look(reader, run, states[run.id], now_ns)
            except UnreadableRunError:
                self._runs.pop(run.id, None)
                self._unreadable.add(run.id)
                continue
            if not _is_given_up(facts):
                found.append(facts)
        return found

    def close(self) -> None:
        """Let go of the database. May be called twice."""
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def _opened(self) -> Reader:
        if self._reader is not None and not self._reader.still_there():
            self.close()
            self._forget()
        if self._reader is None:
            self._reader = Reader.open(self._database)
        return self._reader

    def _rows(self, reader: Reader, now_ns: int) -> list[Run]:
        """Return the rows of the runs to look at as they are now.

        All runs are gone through once; afterwards those that are known and newer ones.
        """
        since_ns = now_ns - round(ENDED_S * NS_PER_S)
        wanted = []
        for run_id in sorted(self._runs):
            with suppress(UnreadableRunError):
                wanted.append(reader.run(run_id))
        for run in reader.runs_from(self._last_run + 1):
            self._last_run = max(self._last_run, run.id)
            wanted.append(run)
        fresh = [one for one in wanted if one.open or _ended(one, since_ns)]
        kept = [known_now(reader, one) for one in fresh[-MOST_RUNS:]]
        self._runs = {
            one.id: self._runs[one.id] for one in kept if one.id in self._runs
        }
        return kept

    def _states_of(self, rows: list[Run]) -> dict[int, str]:
        is_known = self._states.keys() >= {one.id for one in rows}
        due = self._states_due is None or self._states_due.passed
        if (
            due
            or not is_known
            or any(not one.open and self._states[one.id] != "ended" for one in rows)
        ):
            self._states = KnownKeepers(self._database).states(rows)
            self._states_due = host_deadline(_KEEPERS_EVERY_S)
        return self._states


def _is_given_up(facts: RunFacts) -> bool:
    """Whether a run was broken off so long ago that nobody waits for it."""
    is_left = facts.evaluation.state == BROKEN_OFF
    return is_left and (facts.age_s or 0.0) > BROKEN_OFF_S


def _ended(run: Run, since_ns: int) -> bool:
    return run.ended_utc_ns is not None and run.ended_utc_ns >= since_ns


def any_is_kept(database: Path) -> bool:
    """Whether a keeper keeps a run of this database; False where it cannot be read."""
    try:
        with Reader.open(database) as reader:
            rows = [one for one in reader.runs_from(1) if one.open]
        return "running" in KnownKeepers(database).states(rows).values()
    except StoreError:
        return False
