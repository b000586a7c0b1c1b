"""The keeper: one loop that owns a bench's instruments, its pace and its runs' rows.

It waits for instruments, people and signals at once, and does one thing at a time:
accept values, commit rows, see whether a run is over. Nothing in the loop blocks for
long; the pipes hold what instruments say meanwhile.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final

from benchlog import registry
from benchlog.control import Answer, Request
from benchlog.errors import (
    BenchlogError,
    BusyError,
    InstrumentError,
    InUseError,
    UnreadableRunError,
    instrument_error,
)
from benchlog.model import (
    EventKind,
    Identity,
    RunPlan,
)
from benchlog.recorder.control_commands import ControlCommands
from benchlog.recorder.hearing_loop import ENDING, HearingLoop, Surroundings
from benchlog.recorder.instruments.instrument_messages import (
    Failed,
    Got,
    GotBlock,
    Opened,
    Order,
    Said,
)
from benchlog.recorder.instruments.instrument_pool import Ended, Heard
from benchlog.recorder.late_ends import LateEnds
from benchlog.recorder.notice import RunNotice, notice_of
from benchlog.recorder.rack.counter_outages import NO_VALUE
from benchlog.recorder.rack.known_setters import newest
from benchlog.recorder.rack.turn_sites import TurnSite
from benchlog.recorder.rack.turning import Turning
from benchlog.recorder.run.bookkeeper import JudgedBatch
from benchlog.recorder.run.live_run import LiveRun
from benchlog.recorder.run.plan_checks import instruments_of, position_of
from benchlog.recorder.run.resume import Resumed
from benchlog.recorder.startup_wait import StartupWait

_TICK_S: Final = 1.0  # our rule: cheap, and soon enough
# _WAIT_S, _WAIT_SOAK_S: our rule: the pause between tries to open grows to this.
_WAIT_S: Final = 5.0
_WAIT_SOAK_S: Final = 10.0
_PAUSE_S: Final = 0.02  # our rule: a loop in which something fails must not spin


class Keeper(HearingLoop):
    """The loop and what it decides; records go through its `Bookkeeper`."""

    def __init__(
        self, plans: Sequence[RunPlan], around: Surroundings, *, go_on: bool
    ) -> None:
        super().__init__(plans, around)
        self.plans, self.go_on = plans, go_on
        self.commands = ControlCommands(self)
        self.ends = LateEnds(self.book.runs)
        self._waits = StartupWait(around.clock)
        self.each_turn: Callable[[], None] | None = None
        self._abandoned = False
        self._counters = {position_of(plan).frequency for plan in plans}
        self.turning = Turning(self, plans, around.selector)

    # --- the start ------------------------------------------------------------------

    def wait_for_all(self) -> None:
        """Wait until every instrument has answered once; probes give a value, too."""
        self.turning.start()
        self.pool.start(hold=self._counters)
        missing = set(self.pool.by_name)
        if self.patient:
            self.watch.notifier.ready()
        signals = self.surroundings.signals
        while missing and signals.caught is None and not self._abandoned:
            self.turning.tend()
            for name, message in self._wait():
                self._say_waiting(self._waits.heard(name, message))
                match message:
                    case Opened() if name in self._counters:
                        self._hold(name, message.identity)
                        missing.discard(name)
                    case Got():
                        missing.discard(name)
                    case Failed(kind=InUseError.kind):
                        raise BusyError(message.message)
                    case Failed() if not self.patient:
                        raise _named(name, message.error())
                    case Ended() if not self.patient:
                        raise InstrumentError(
                            f"the process of {name!r} {message.how}; `benchlog "
                            "check-bench` asks it alone, and tells what it says"
                        )
        if signals.caught is not None or self._abandoned:
            raise BenchlogError("stopped before the first reading: nothing recorded")
        self.turning.wait(self._hear_scanners, patient=self.patient)

    def begin(self) -> None:
        """Open the control socket, begin the runs and let the counters go."""
        self.open_door()
        for plan in self.plans:
            self.begin_one(plan)
        for name, text in self._waits.over():
            for run in self.book.runs.using(name):
                self.book.runs.note(run, EventKind.BACK, text, name)
        self.watch.notifier.ready()

    def resume(self, several: Sequence[Resumed]) -> None:
        """Go on with runs at once; instruments that do not answer yet are an event."""
        self.open_door()
        for old in several:
            for name in self._counters & old.run.identities.keys():
                self._hold(name, old.run.identities[name])
        for old in several:
            self.pool.expect(old.run.identities)
            run = self.book.resume(old, position_of(old.plan), self._socket.name)
            self.surroundings.tell(RunNotice(run_id=run.run_id, kind="begun"))
        self.watch.notifier.ready()
        self.turning.expect(newest(old.setters for old in several))
        self.turning.start()
        self.pool.start(hold=self.turning.counters)

    def _hold(self, name: str, identity: Identity) -> None:
        """Hold the counter that answered: it may be in use under another address."""
        spec = self.pool.by_name[name].spec
        if registry.load(spec.driver).exclusive:
            self.surroundings.locks.hold_instrument(identity, spec.address)

    def _say_waiting(self, text: str) -> None:
        if text and self.patient:
            self.surroundings.tell(RunNotice(run_id=0, kind="waiting", text=text))
            self.watch.notifier.status(text)

    def begin_one(self, plan: RunPlan, *, follows: bool = False) -> int:
        """Begin one run; its counter starts, or goes on, reading."""
        position = position_of(plan)
        instruments = {n: self.pool.by_name[n] for n in instruments_of(plan)}
        run = self.book.begin(
            plan, position, instruments, self._socket.name, follows=follows
        )
        self.surroundings.tell(RunNotice(run_id=run.run_id, kind="begun"))
        self.start_reading(run)
        return run.run_id

    def start_reading(self, run: LiveRun) -> None:
        """Let the counter of a run that has just begun read; in turns, when it is."""
        if not self.in_turns(run):
            self.pool.order(run.position.frequency, Order.GO)

    def now(self) -> Mapping[str, str]:
        """Return what all runs are at together, for who asks how it stands."""
        return {}

    # --- turns of devices behind a scanner --------------------------------------------

    def in_turns(self, run: LiveRun) -> bool:
        """Whether a run waits for its turn at a counter that others have, too."""
        return run.position.frequency in self.turning.counters

    def turn_sites(self, scanner: str) -> Sequence[TurnSite]:
        """Return who wants a turn now, in order."""
        return [
            TurnSite(run.position, run)
            for run in self.book.runs.all()
            if run.position.through == scanner and not (run.paused or run.full)
        ]

    def gates_alone(self, run: LiveRun) -> int | None:
        """Return how many readings a run takes that is alone; None: go on."""
        del run
        return None

    def value_in_turn(self, site: TurnSite, got: Got) -> None:
        """Take a value of the device whose turn it is."""
        self.book.intake.value(site.position.frequency, got.sample, got.stalled_s)

    def dark_in_turn(self, site: TurnSite, failed: Failed) -> None:
        """Take it that the device whose turn it is gives no signal."""

    def go_on_in_turns(self) -> None:
        """Go on with turns until there is something to wait for."""
        if self.turning:
            with self.boundary.round("a turn"):
                self.turning.step()

    def turns_left_s(self) -> float:
        """See `HearingLoop.turns_left_s`."""
        return self.turning.left_s()

    def handing_over_s(self) -> float:
        """See `HearingLoop.handing_over_s`."""
        return self.turning.handing_over_s()

    def _heard_of(self, kind: str, what: str) -> list[Heard]:
        if kind == "scanner":
            self.turning.hear(what)
            return []
        return super()._heard_of(kind, what)

    def _hear_scanners(self) -> None:
        for heard in self._wait():
            self._dispatch(heard)

    # --- the loop ---------------------------------------------------------------------

    def loop(self) -> None:
        """Go on until every run is over."""
        while self.book.runs.by_id:
            self.turn()
            with self.boundary.round("looking whether a run is over", passes=ENDING):
                for run, how in self.ends.beside(self.book.over()):
                    with self.ends.later(go_on=len(self.book.runs.by_id) > 1):
                        self.end_one(run.run_id, how)
            if self.each_turn is not None:
                self.each_turn()

    def turn(self) -> None:
        """Hear what has come, and commit it."""
        self.hear_all()
        self.go_on_in_turns()
        with self.boundary.round("a signal", passes=ENDING):
            self._look_at_signals()
        if self.handing_over_s() > 0:
            return
        with self.boundary.round("a commit"), self._pace.own_work():
            self._tell_judged(self.book.commit_due())

    def terminal_gone(self) -> None:
        """End all runs unless they are to go on; also before they begin."""
        if not self.go_on:
            self._abandoned = True  # nobody would end them
            self._end_all("terminal closed")

    def answer(self, request: Request) -> Answer:
        """Do what somebody asks and say what came of it."""
        return self.commands.answer(request)

    def end_one(self, run_id: int, how: str) -> None:
        """End one run: hold its counter, commit, note the verdict.

        A run whose end goes wrong is over all the same; its verdict can be given later.
        """
        run = self.book.runs.by_id[run_id]
        with (
            self.boundary.round(
                f"the end of run {run_id}", of=lambda: [run], passes=ENDING
            ) as deed,
            self._pace.own_work(),
        ):
            self._end_properly(run, how)
        if deed.fault is not None and run_id in self.book.runs.by_id:
            self.commit_all()
            self.book.abandon(run, self.ends.how(run, how))
            notice = RunNotice(run_id=run_id, kind="ended", text=deed.words)
            self.surroundings.tell(notice)

    def _end_properly(self, run: LiveRun, how: str) -> None:
        run_id = run.run_id
        how = self.ends.how(run, how)
        if not self.in_turns(run):
            self.pool.order(run.position.frequency, Order.HOLD)
        for event in run.last_refusals():
            self.book.runs.add_event(run, event)
        self.book.runs.tell_due(run, ended=True)
        silence = self.book.intake.silence(run)
        text = f"{how}; {silence}" if silence else how
        with self.ends.noted(run, text):
            self.commit_all()
        stands = run.judge.assessment()
        for said in run.judge_news(stands):
            self.book.runs.note(run, EventKind.SUSPECT, said, run.spec.name)
        self.ends.note(run, text)
        self.commit_all()
        try:
            assessment = self.book.end(run, how)
        except UnreadableRunError as error:  # it is over, and ends no other
            assessment, how = None, f"{how}; no verdict: {error}"
        self.surroundings.tell(
            RunNotice(run_id=run_id, kind="ended", assessment=assessment, text=how)
        )

    def commit_all(self) -> None:
        """Commit and tell what was heard so far, also what would still wait."""
        self._tell_judged(self.book.commit_all())

    def finish(self) -> None:
        """End what is still open and let go of everything, whatever happened."""
        try:
            self._end_all("broken off")
        finally:
            if self.server is not None:
                self.server.close()
            self.turning.finish()
            self.pool.finish()
            self.watch.close()

    def _dispatch(self, heard: Heard) -> None:
        name, message = heard
        turns = self.turning.counters.get(name)
        match message:
            case Got() if turns is not None:
                turns.value(name, message)
            case GotBlock() if turns is not None:
                pass  # its turn is over, so they are nobody's
            case GotBlock():
                self.book.intake.block(name, message.block, message.stalled_s)
            case Failed() if turns is not None and message.kind in NO_VALUE:
                turns.dark(message)
            case Got():
                self.book.intake.value(name, message.sample, message.stalled_s)
            case Failed():
                self.book.intake.failed(name, message)
            case Ended(how, kind):
                self.book.intake.process_ended(name, kind, how)
            case Said():
                self.book.intake.said(name, message.text)
            case Opened():  # the first value after an outage says that it is back
                self.book.intake.opened(name, message)

    def _look_at_signals(self) -> None:
        caught, self.surroundings.signals.caught = (
            self.surroundings.signals.caught,
            None,
        )
        if caught is None or (caught.name == "SIGHUP" and self.go_on):
            return
        how = "terminal closed" if caught.name == "SIGHUP" else "interrupted"
        self._end_all(how)

    def _tell_judged(self, judged: Iterable[JudgedBatch]) -> None:
        for run, readings, assessment in judged:
            for reading in readings:
                self.surroundings.tell(notice_of(run.run_id, reading, assessment))

    def _end_all(self, how: str) -> None:
        for run_id in list(self.book.runs.by_id):
            self.end_one(run_id, how)


def _named(name: str, error: InstrumentError) -> InstrumentError:
    """Return the error with the instrument's name before it."""
    return instrument_error(
        error.kind,
        f"instrument {name!r}: {error}",
        address=error.address,
        command=error.command,
        raw=error.raw,
    )
