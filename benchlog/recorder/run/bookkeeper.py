"""The rows of a keeper's runs: begin, commit, see how they stand, end."""

from collections.abc import Iterator, Mapping
from contextlib import closing, suppress
from typing import Final

from benchlog.clock import Clock, Deadline, host_deadline, host_moment, host_sleep
from benchlog.errors import StoreError
from benchlog.evaluation.document import verdict_row
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.evaluation.run_time.segment_clock import mark_now
from benchlog.model import (
    Edge,
    Event,
    EventKind,
    PhasePoint,
    PositionSpec,
    Purpose,
    Reading,
    RunPlan,
)
from benchlog.recorder.boundary import Boundary
from benchlog.recorder.damage_watch import DamageWatch
from benchlog.recorder.host_monitor import Noticed
from benchlog.recorder.instruments.instrument_handle import InstrumentProcess
from benchlog.recorder.notice import Tell, event_notice
from benchlog.recorder.own_pace import Absence
from benchlog.recorder.run.commit_queue import CommitOutcome, CommitQueue, OpenRuns
from benchlog.recorder.run.going_on import first_events
from benchlog.recorder.run.intake import Intake
from benchlog.recorder.run.judge_batches import Record
from benchlog.recorder.run.live_run import LiveRun
from benchlog.recorder.run.racked_verdicts import keep_racked
from benchlog.recorder.run.resume import Resumed
from benchlog.recorder.run.run_start import (
    RunStarter,
    patiently,
    started_words,
)
from benchlog.store.reader import Reader
from benchlog.store.unsaved_rows import PLACE_VARIABLE, command_for
from benchlog.store.writer import Writer
from benchlog.units import NS_PER_S, counted, printable
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.early_stop import as_ended
from benchlog.verdict.timebase.check_validity import due_words

_LOOK_EVERY_S: Final = 0.2  # our rule: what a person sees as at once
_SHARE_OF_TIME: Final = 0.1  # our rule: nine tenths are for readings
_LAST_TRY_S: Final = 10.0  # our rule: a backup may hold the database that long
_PATIENCE_S: Final = 60.0  # our rule: a person looks by then
_MISSED_TURNS: Final = 3  # our rule: as in a rack
RULE: Final = (
    "guarded acceptance (JCGM 106): pass if |offset| + U <= limit, "
    "fail if |offset| - U > limit, else undecided"
)

JudgedBatch = tuple[LiveRun, list[Reading] | list[Edge], Assessment]


class Bookkeeper:
    """Begins and ends runs, and sees to it that what they got is committed."""

    def __init__(
        self,
        clock: Clock,
        writer: Writer,
        tell: Tell,
    ) -> None:
        self.clock, self.writer, self.tell = clock, writer, tell
        self.queue = CommitQueue(writer)
        self.runs = OpenRuns(
            self.queue, lambda run_id, event: tell(event_notice(run_id, event))
        )
        self.boundary = Boundary(self.runs, tell)
        self._beginning = RunStarter(clock, writer)
        self.intake = Intake(self.runs, writer, clock)
        self._standing: dict[int, tuple[Deadline, Assessment]] = {}
        self._look: Deadline = host_deadline(0)
        self._rescue_said = ""
        self._damage, self._damage_said = DamageWatch(writer.path), ""
        self._last_hz: dict[str, float] = {}
        self.racked: list[Evaluation] = []
        """Ended runs of a rack; what it found is known when all of them are over."""

    def begin(
        self,
        plan: RunPlan,
        position: PositionSpec,
        instruments: Mapping[str, InstrumentProcess],
        control: str,
        *,
        follows: bool = False,
    ) -> LiveRun:
        """Begin a run in the database; its instruments must have answered."""
        run = self._beginning.begin(
            plan, position, instruments, control, follows=follows
        )
        run.wait_for_fresh(self._last_hz.get(position.name))
        self._open(run)
        words = started_words(plan, instruments)
        self.runs.note(run, EventKind.STARTED, words, raw=mark_now(self.clock))
        specs = [instrument.spec for instrument in instruments.values()]
        for words in due_words(specs, self.clock.utc_ns()):
            self.runs.note(run, EventKind.CALIBRATION, words)
        self.intake.first_values(run, instruments)
        return run

    def resume(self, old: Resumed, position: PositionSpec, control: str) -> LiveRun:
        """Go on with a run in a new segment; its instruments may yet have to answer."""
        run = self._beginning.resume(old, position, control)
        self._open(run)
        for kind, text, raw in first_events(old, self.clock):
            self.runs.note(run, kind, text, raw=raw)
        return run

    def _open(self, run: LiveRun) -> None:
        self.runs.by_id[run.run_id] = run
        self.runs.ids.append(run.run_id)

    def end(self, run: LiveRun, how: str) -> Assessment:
        """End a run whose rows are committed: verdict, end mark; say how it stands."""
        assessment = run.judge.assessment()
        del self.runs.by_id[run.run_id]
        if run.previous_hz is not None:
            self._last_hz[run.position.name] = run.previous_hz
        self._standing.pop(run.run_id, None)
        patiently(lambda: self.writer.end_run(run.run_id, how))
        found = patiently(lambda: self._ended(run.run_id, assessment))
        if run.plan.purpose is Purpose.QUALIFY:
            self.racked.append(found)
            return found.assessment
        row = verdict_row(found, RULE)
        patiently(lambda: self.writer.add_verdict(run.run_id, row))
        return found.assessment

    def judge_racked(self) -> None:
        """Keep the verdicts of the runs of a rack, of which none is open any more."""
        racked, self.racked = self.racked, []
        keep_racked(racked, RULE, self.writer, self.boundary)

    def commit_due(self, *, now: bool = False) -> Iterator[JudgedBatch]:
        """Commit what is due; yield what each run got, with how it stands lately."""
        outcome = self.queue.commit_if_due(now=now)
        self._say_trouble(outcome)
        by_run: dict[int, list[Record]] = {}
        for run_id, _, record in outcome.rows:
            if not isinstance(record, Event | PhasePoint) and run_id in self.runs.by_id:
                by_run.setdefault(run_id, []).append(record)
        for run_id, records in by_run.items():
            run = self.runs.by_id[run_id]
            got = run.feed(records)
            if got:
                yield run, got, self._stands(run)

    def _stands(self, run: LiveRun) -> Assessment:
        """Return how a run stands, worked out a few times a second at most.

        Long trains of pulses take longer: at most a tenth of the time goes into them.
        """
        due, assessment = self._standing.get(run.run_id, (None, None))
        if assessment is None or due is None or due.passed:
            began_ns = host_moment().awake_ns
            assessment = run.judge.assessment()
            for said in run.judge_news(assessment):
                self.runs.note(run, EventKind.SUSPECT, said, run.spec.name)
            took_s = (host_moment().awake_ns - began_ns) / NS_PER_S
            again_s = max(_LOOK_EVERY_S, took_s / _SHARE_OF_TIME)
            self._standing[run.run_id] = (host_deadline(again_s), assessment)
        return assessment

    def standing(self, run: LiveRun) -> Assessment | None:
        """Return how a run stood when it was last looked at, if it was."""
        return self._standing.get(run.run_id, (None, None))[1]

    def commit_all(self) -> Iterator[JudgedBatch]:
        """Commit what waits; a database in trouble gets a few more seconds."""
        limit = host_deadline(0 if self.queue.aside.only else _LAST_TRY_S)
        while not self.queue.is_done:
            only = self.queue.aside.only
            yield from self.commit_due(now=True)
            if self.queue.is_done or self.queue.aside.only < only:
                continue
            if limit.passed:
                raise StoreError(self._set_aside())
            host_sleep(_LOOK_EVERY_S)

    def _set_aside(self) -> str:
        """Write what waits to a file; tell where it is, and how it comes back."""
        database, waited = self.writer.path, self.queue.waiting
        if not self.queue.save_elsewhere():
            return (
                f"{waited} rows are lost: neither {database} nor any other place has "
                f"room; name a folder on another disk with {PLACE_VARIABLE}"
            )
        return (
            f"{database} could not take the last rows ({self.queue.aside.only}); "
            f"{self._where_aside()}"
        )

    def _where_aside(self) -> str:
        files, database = self.queue.aside.files, self.writer.path
        commands = "`, then `".join(command_for(path, database) for path in files)
        return (
            f"they are in {' and '.join(map(str, files))}: make room, then bring them "
            f"back with `{commands}`"
        )

    def over(self) -> list[tuple[LiveRun, str]]:
        """Return the runs that are over by their plan, looking a few times a second."""
        runs = self.runs.all()
        if not (self._look.passed or any(run.full or run.due for run in runs)):
            return []
        self._look = host_deadline(_LOOK_EVERY_S)
        ways = [(run, why_over(run)) for run in runs]
        return [(run, how) for run, how in ways if how]

    def left_s(self) -> float:
        """Real seconds until there is something to do here."""
        return min(self.queue.left_s(), _LOOK_EVERY_S if self.runs.by_id else 60.0)

    def look_around(self) -> None:
        """Notice a database file that was taken away, or overwritten; count trouble."""
        for run in self.runs.all():
            self.runs.tell_due(run)
        self._look_for_damage()
        if self.queue.replaced():
            self._rescue()
        else:
            self._rescue_said = ""

    def _look_for_damage(self) -> None:
        found, rows, path = self._damage.look(), self.queue.unproven, self.writer.path
        if found == "":
            rows.found_whole()
        elif found and not self._damage_said:
            file = rows.found_damaged()
            self.writer.leave_log()
            aside = "no place has room for the rows of the last minute"
            if file is not None:
                aside = (
                    f"rows since the last look, and all further ones, are also in "
                    f"{file}: `{command_for(file, path)}` brings back what is missing"
                )
            self._damage_said = printable(
                f"the database was overwritten: {found}; {aside}; `benchlog check "
                f"{path}` tells what is left"
            )
            self.say_to_all(EventKind.STORE_DAMAGED, self._damage_said)

    def note_host(self, noticed: Noticed) -> None:
        """Write what happened to the host into every run."""
        for run in self.runs.all():
            if noticed.asleep_s:
                slept_ns = int(noticed.asleep_s * NS_PER_S)
                run.wake.slept(slept_ns, run.clock.mono_ns())
            self.runs.note(run, noticed.kind, noticed.text)

    def note_absence(self, absence: Absence) -> None:
        """Write into every run that the keeper itself did not run for a while."""
        for run in self.runs.all():
            run.keeper_is_back()
            if absence.text:
                self.runs.note(run, EventKind.FROZEN, absence.text)

    def abandon(self, run: LiveRun, how: str) -> None:
        """End a run of which no verdict can be given now; `judge` gives it later."""
        self.runs.by_id.pop(run.run_id, None)
        self._standing.pop(run.run_id, None)
        patiently(lambda: self.writer.end_run(run.run_id, how))

    def mark_hole(self, name: str) -> None:
        """Let the next reading of an instrument follow on nothing."""
        for run in self.runs.using(name):
            if name == run.position.frequency:
                run.note_gap()

    def _rescue(self) -> None:
        """Bring the database back to where people look for it."""
        try:
            where = self.writer.rescue()
            self._damage = DamageWatch(where)
            text = f"the database file was removed or replaced; all rows are in {where}"
        except StoreError as error:
            text = f"the database file was removed or replaced: {error}"
        if text != self._rescue_said:
            self.say_to_all(EventKind.STORE_REPLACED, printable(text))
        self._rescue_said = text

    def _say_trouble(self, outcome: CommitOutcome) -> None:
        if outcome.fault is not None:
            self.boundary.note("a commit", outcome.fault, self.runs.all())
        for (run_id, _, record), why in outcome.refused:
            if run_id in self.runs.by_id:
                raw = repr(record).encode("ascii", errors="backslashreplace")
                run = self.runs.by_id[run_id]
                self.runs.note(run, EventKind.REJECTED, why, raw=raw)
        if outcome.trouble:
            self.say_to_all(EventKind.STORE_WAIT, outcome.trouble)
        for path in outcome.aside:
            text = f"the rows that wait for the database are in {path} as well"
            self.say_to_all(EventKind.STORE_WAIT, printable(text))
        if outcome.recovered:
            text = "the database accepts rows again"
            if self.queue.aside.only:
                text += f"; it refuses some of those that waited; {self._where_aside()}"
            self.say_to_all(EventKind.STORE_BACK, printable(text))
        if outcome.lost:
            text = f"{counted(outcome.lost, 'reading')} found no room while it did not"
            self.say_to_all(EventKind.READINGS_LOST, text)

    def say_to_all(self, kind: EventKind, text: str) -> None:
        """Write an event into every open run."""
        for run in self.runs.all():
            self.runs.note(run, kind, text)

    def note_after(self, of: tuple[int, int], kind: EventKind, text: str) -> None:
        """Write an event into a run and segment that are over, if it can be stored."""
        event = Event(self.clock.utc_ns(), self.clock.mono_ns(), kind, text)
        with suppress(StoreError):  # the run is whole without it
            patiently(lambda: self.writer.commit([(*of, event)]))
        self.tell(event_notice(of[0], event))

    def _ended(self, run_id: int, assessment: Assessment) -> Evaluation:
        with closing(Reader.open(self.writer.path)) as reader:
            run = reader.run(run_id)
        return Evaluation(run=run, assessment=as_ended(run, assessment))


# --- why a run is over


def why_over(run: LiveRun) -> str:
    """Return why a run is over by its plan, empty if it is not."""
    if run.full:
        return "readings reached"
    if run.plan.max_s is not None and run.age_s >= run.plan.max_s:
        return "time reached"
    if _waits_in_vain(run):
        return "no readings came"
    if run.due and run.stop.step(run.judge.assessment()).stop:
        return "verdict clear"
    return ""


def _waits_in_vain(run: LiveRun) -> bool:
    """Whether a number of readings is waited for in vain; a soak never gives up."""
    endless = run.plan.purpose is Purpose.MEASURE and run.plan.max_s is None
    if not endless or run.paused:
        return False
    if run.missed_turns >= _MISSED_TURNS:
        return True
    heard_ns = max(run.previous_mono_ns or 0, run.began_mono_ns, run.went_on_ns)
    since_ns = max(heard_ns, run.keeper_back_ns, run.others_ns, run.arrived_ns)
    waited_s = (run.clock.mono_ns() - since_ns) / NS_PER_S
    gate_s = run.spec.options.get("gate_s")
    slow_s = 20 * gate_s if isinstance(gate_s, int | float) else 0.0
    # A gate is bench time, a person's patience is real.
    patience_s = _PATIENCE_S / max(run.clock.real_s(1.0), 1e-9)
    return waited_s > max(patience_s, slow_s)
