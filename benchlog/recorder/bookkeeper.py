"""The rows of a keeper's runs: begin, commit, see how they stand, end."""

import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Final, TypeVar

from benchlog.clock import Clock, Deadline, host_deadline, host_sleep
from benchlog.errors import BenchlogError, StoreError, StoreLockedError
from benchlog.model import (
    Edge,
    Event,
    EventKind,
    Identity,
    InstrumentSpec,
    PositionSpec,
    Reading,
    Run,
    RunPlan,
    Timebase,
)
from benchlog.recorder.arrays import Record
from benchlog.recorder.hosttime import host_error_s
from benchlog.recorder.instrument import InstrumentProcess
from benchlog.recorder.intake import Intake
from benchlog.recorder.ledger import Ledger, Outcome
from benchlog.recorder.liverun import Ambient, LiveRun
from benchlog.recorder.lookout import Noticed
from benchlog.recorder.openruns import OpenRuns
from benchlog.recorder.resume import Resumed
from benchlog.store.reader import Reader
from benchlog.store.rows import VerdictRow
from benchlog.store.writer import Writer
from benchlog.units import printable
from benchlog.verdict.calibration import due_words
from benchlog.verdict.figures import figures
from benchlog.verdict.judge import Assessment, RunJudge
from benchlog.verdict.judging import Judge, trains_of
from benchlog.verdict.pulsejudge import PulseJudge
from benchlog.verdict.pulsetime import pulse_timebase
from benchlog.verdict.timebase import UNCORRECTED, timebase_for

_T = TypeVar("_T")
_LONG_AGO_NS: Final = 10**17
_LOOK_EVERY_S: Final = 0.2
_LAST_TRY_S: Final = 10.0
_RULE: Final = (
    "guarded acceptance (JCGM 106): pass if |offset| + U <= limit, "
    "fail if |offset| - U > limit, else undecided"
)

Settled = tuple[LiveRun, list[Reading] | list[Edge], Assessment]


class Bookkeeper:
    """Begins and ends runs, and sees to it that what they got is committed."""

    def __init__(
        self,
        clock: Clock,
        writer: Writer,
        tell_event: Callable[[int, Event], None],
    ) -> None:
        self.clock, self.writer = clock, writer
        self.ledger = Ledger(writer)
        self.runs = OpenRuns(self.ledger, tell_event)
        self.intake = Intake(self.runs, writer, clock)
        self._standing: dict[int, tuple[Deadline, Assessment]] = {}
        self._look: Deadline = host_deadline(0)
        self._rescue_said = ""

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
        identities = {name: _identity(i) for name, i in instruments.items()}
        counter = instruments[position.frequency].spec
        trains = trains_of(plan.bench, position)
        timebase = (
            pulse_timebase(plan.bench, position, host_error_s())
            if trains
            else self._timebase(plan, counter, identities[counter.name])
        )
        resolution_hz = counter.resolution_hz
        run_id = patiently(
            lambda: self.writer.begin_run(
                plan, identities, timebase, control=control, resolution_hz=resolution_hz
            )
        )
        judge: Judge = (
            PulseJudge(plan.part, trains, timebase)
            if trains
            else RunJudge(
                plan.part,
                divider=position.divider,
                timebase=timebase,
                resolution_hz=resolution_hz,
            )
        )
        run = LiveRun(
            plan=plan,
            position=position,
            spec=counter,
            run_id=run_id,
            segment_id=patiently(lambda: self.writer.begin_segment(run_id)),
            judge=judge,
            clock=self.clock,
            simulated=any(identity.simulated for identity in identities.values()),
            began_mono_ns=self.clock.mono_ns(),
            follows=follows,
        )
        self._open(run)
        self.runs.note(run, EventKind.STARTED, _started(plan, identities))
        specs = [instrument.spec for instrument in instruments.values()]
        for words in due_words(specs, self.clock.utc_ns()):
            self.runs.note(run, EventKind.CALIBRATION, words)
        self.intake.first_values(run, instruments)
        return run

    def resume(self, old: Resumed, position: PositionSpec, control: str) -> LiveRun:
        """Go on with a run in a new segment; its instruments may yet have to answer."""
        run_id, now_ns = old.run.id, self.clock.mono_ns()
        patiently(lambda: self.writer.resume_run(run_id, control=control))
        age_ns = max(0, self.clock.utc_ns() - old.run.started_utc_ns)
        run = LiveRun(
            plan=old.plan,
            position=position,
            spec=old.plan.bench.instruments[position.frequency],
            run_id=run_id,
            segment_id=patiently(lambda: self.writer.begin_segment(run_id)),
            judge=old.judge,
            clock=self.clock,
            simulated=old.run.simulated,
            accepted=old.readings,
            began_mono_ns=now_ns - age_ns,
        )
        run.gap()
        if position.ambient is not None:
            identity = old.run.identities.get(position.ambient)
            typed = identity is not None and identity.settings.get("typed") == "true"
            run.ambient = Ambient(0.0, now_ns - _LONG_AGO_NS, 0.0, typed)
        self._open(run)
        self.runs.note(run, EventKind.GAP, old.gap)
        return run

    def _open(self, run: LiveRun) -> None:
        self.runs.by_id[run.run_id] = run
        self.runs.ids.append(run.run_id)

    def end(self, run: LiveRun, how: str) -> Assessment:
        """End a run whose rows are committed: verdict, end mark; say how it stands."""
        assessment = run.judge.assessment()
        del self.runs.by_id[run.run_id]
        self._standing.pop(run.run_id, None)
        patiently(lambda: self.writer.end_run(run.run_id, how))
        row = patiently(lambda: self._verdict(run.run_id, assessment))
        patiently(lambda: self.writer.add_verdict(run.run_id, row))
        return assessment

    def settle(self, *, now: bool = False) -> Iterator[Settled]:
        """Commit what is due; yield what each run got, with how it stands lately."""
        outcome = self.ledger.commit_if_due(now=now)
        self._say_trouble(outcome)
        by_run: dict[int, list[Record]] = {}
        for run_id, _, record in outcome.rows:
            if not isinstance(record, Event) and run_id in self.runs.by_id:
                by_run.setdefault(run_id, []).append(record)
        for run_id, records in by_run.items():
            run = self.runs.by_id[run_id]
            got = run.feed(records)
            if got:
                yield run, got, self._stands(run)

    def _stands(self, run: LiveRun) -> Assessment:
        """Return how a run stands, worked out a few times a second at most."""
        due, assessment = self._standing.get(run.run_id, (None, None))
        if assessment is None or due is None or due.passed:
            assessment = run.judge.assessment()
            self._standing[run.run_id] = (host_deadline(_LOOK_EVERY_S), assessment)
        return assessment

    def commit_all(self) -> Iterator[Settled]:
        """Commit what waits; a database in trouble gets a few more seconds."""
        limit = host_deadline(_LAST_TRY_S)
        while self.ledger.waiting:
            yield from self.settle(now=True)
            if self.ledger.waiting and limit.passed:
                path = self.ledger.spill(Path(tempfile.gettempdir()))
                raise StoreError(
                    f"{self.writer.path} would not take the last rows; they are not "
                    f"lost but in {path}: make room and keep that file"
                )
            if self.ledger.waiting:
                host_sleep(_LOOK_EVERY_S)

    def over(self) -> list[tuple[LiveRun, str]]:
        """Return the runs that are over by their plan, looking a few times a second."""
        runs = self.runs.all()
        if not (self._look.passed or any(run.full or run.due for run in runs)):
            return []
        self._look = host_deadline(_LOOK_EVERY_S)
        ways = [(run, run.over()) for run in runs]
        return [(run, how) for run, how in ways if how]

    def left_s(self) -> float:
        """Real seconds until there is something to do here."""
        return min(self.ledger.left_s(), _LOOK_EVERY_S if self.runs.by_id else 60.0)

    def look_around(self) -> None:
        """Notice a database file that was taken away."""
        if self.ledger.replaced():
            self._rescue()
        else:
            self._rescue_said = ""

    def note_host(self, noticed: Noticed) -> None:
        """Write what happened to the host into every run."""
        for run in self.runs.all():
            if noticed.breaks:
                run.gap()
            self.runs.note(run, noticed.kind, noticed.text)

    def _rescue(self) -> None:
        """Bring the database back to where people look for it."""
        try:
            where = self.writer.rescue()
            text = f"the database file was removed or replaced; all rows are in {where}"
        except StoreError as error:
            text = f"the database file was removed or replaced: {error}"
        if text != self._rescue_said:
            self.say_to_all(EventKind.STORE_REPLACED, printable(text))
        self._rescue_said = text

    def _say_trouble(self, outcome: Outcome) -> None:
        for (run_id, _, record), why in outcome.refused:
            if run_id in self.runs.by_id:
                raw = repr(record).encode("ascii", errors="backslashreplace")
                run = self.runs.by_id[run_id]
                self.runs.note(run, EventKind.REJECTED, why, raw=raw)
        if outcome.trouble:
            self.say_to_all(EventKind.STORE_WAIT, outcome.trouble)
        if outcome.recovered:
            self.say_to_all(EventKind.STORE_BACK, "the database takes rows again")
        if outcome.lost:
            text = f"{outcome.lost} readings found no room while it did not"
            self.say_to_all(EventKind.READINGS_LOST, text)

    def say_to_all(self, kind: EventKind, text: str) -> None:
        """Write an event into every open run."""
        for run in self.runs.all():
            self.runs.note(run, kind, text)

    def _verdict(self, run_id: int, assessment: Assessment) -> VerdictRow:
        with closing(Reader.open(self.writer.path)) as reader:
            return verdict_row(reader.run(run_id), assessment)

    def _timebase(
        self, plan: RunPlan, counter: InstrumentSpec, identity: Identity
    ) -> Timebase:
        if plan.checks is not None:
            return UNCORRECTED
        now_ns = self.clock.utc_ns()
        with closing(Reader.open(self.writer.path)) as reader:
            check = reader.reference_check(identity.serial, now_ns)
            if check is None and identity.serial:
                # one that holds no more: that it does not is said
                stale = reader.reference_checks(identity.serial)
                check = stale[-1][1] if stale else None
        return timebase_for(counter, check, now_ns)


def verdict_row(run: Run, assessment: Assessment) -> VerdictRow:
    """Return what is kept of a run's assessment."""
    return VerdictRow(
        word=str(assessment.word),
        offset_ppm=assessment.offset_ppm,
        u_ppm=assessment.u_ppm,
        limit_ppm=assessment.limit.ppm if assessment.limit.known else None,
        conformance=assessment.conformance,
        rule=_RULE,
        figures=figures(run, assessment),
    )


def patiently(write: Callable[[], _T]) -> _T:
    """Do what another writer may hold up for a while. Raises StoreError."""
    limit = host_deadline(_LAST_TRY_S)
    while True:
        try:
            return write()
        except StoreLockedError:
            if limit.passed:
                raise
            host_sleep(_LOOK_EVERY_S / 10)


def _identity(instrument: InstrumentProcess) -> Identity:
    """Return who answered; a bench file may say that an instrument is simulated."""
    identity = instrument.identity
    if identity is None:
        raise BenchlogError(f"{instrument.spec.name!r} has not answered yet")
    simulated = identity.simulated or instrument.spec.simulated
    return replace(identity, simulated=simulated)


def _started(plan: RunPlan, identities: Mapping[str, Identity]) -> str:
    who = "; ".join(f"{name}: {i.text}" for name, i in identities.items())
    return printable(f"{plan.purpose} of {plan.device} as {plan.part.id} with {who}")
