"""A keeper that takes a rack through a sequence, its devices in turns."""

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from benchlog.clock import host_deadline
from benchlog.errors import BenchlogError, InstrumentError, WrongInstrumentError
from benchlog.model import Event, EventKind, RunPlan
from benchlog.recorder.hearing_loop import Surroundings
from benchlog.recorder.instruments.instrument_messages import Failed, Got
from benchlog.recorder.instruments.instrument_pool import Ended, Heard
from benchlog.recorder.keeper_loop import Keeper
from benchlog.recorder.notice import RunNotice, event_notice
from benchlog.recorder.rack.counter_outages import NO_VALUE
from benchlog.recorder.rack.held_setters import SETTER, HeldSetters, held_words
from benchlog.recorder.rack.known_setters import newest, words_of
from benchlog.recorder.rack.rack_script import RackScript
from benchlog.recorder.rack.rack_task import RackTask
from benchlog.recorder.rack.setter_handle import SetterHandle, SetterReport
from benchlog.recorder.rack.setter_job import job_for
from benchlog.recorder.run.live_run import LiveRun
from benchlog.recorder.run.plan_checks import position_of
from benchlog.recorder.run.resume import Resumed

OPEN_LIMIT_S: Final = 30.0
"""Real seconds in which every setter must have answered at the start; our rule."""


class RackKeeper(Keeper):
    """Keeps the runs of all devices of a rack; `RackScript` decides what comes next."""

    def __init__(
        self, task: RackTask, around: Surroundings, *, go_on: bool = False
    ) -> None:
        super().__init__(task.plans, around, go_on=go_on)
        self.task = task
        self.setters = {name: self._handle(name) for name in task.setters()}
        self.script = RackScript(self, task)
        self._held = HeldSetters(self.setters, around.selector, self._hear_setter)
        self._segments: dict[int, int] = {}
        self._known: dict[str, str] = {}

    def _handle(self, name: str) -> SetterHandle:
        job = job_for(self.task.bench.instruments[name], self.task.bounds[name])
        return SetterHandle(job, self.surroundings.locks)

    # --- the start ------------------------------------------------------------------

    def wait_for_all(self) -> None:
        """Wait for instruments and setters. Raises InstrumentError naming who is not.

        Nothing has been set by then.
        """
        self._held.start()
        super().wait_for_all()
        self._wait_for_setters()

    def resume(self, several: Sequence[Resumed], fresh: Sequence[RunPlan] = ()) -> None:
        """Go on with the runs of a rack; devices are measured again in their turns.

        `fresh` are the plans of devices whose runs had not been begun. Raises
        WrongInstrumentError where a setter is another one than it was.
        """
        self._known = newest(old.setters for old in several)
        for name, handle in self.setters.items():
            if name not in self.task.exchanged:
                handle.expect(self._known.get(name, ""))
        if fresh:
            self.wait_for_all()
        else:
            self._held.start()
            self._wait_for_setters()
        self.open_door()
        for old in several:
            for name in self._counters & old.run.identities.keys():
                self._hold(name, old.run.identities[name])
        for old in several:
            self.pool.expect(old.run.identities)
            run = self.book.resume(old, position_of(old.plan), self._socket.name)
            self.surroundings.tell(RunNotice(run_id=run.run_id, kind="begun"))
            self.start_reading(run)
        for plan in fresh:
            self.begin_one(plan)
        if not fresh:
            self.pool.start(hold=self._counters)

    def _wait_for_setters(self) -> None:
        """Wait until each has answered. Raises InstrumentError naming who has not."""
        limit = host_deadline(OPEN_LIMIT_S)
        complaints: dict[str, str] = {}
        while waiting := [n for n, h in self.setters.items() if not h.opened]:
            for heard in self._wait():
                self._dispatch(heard)
            for handle in self.setters.values():
                self._require_right(handle)
            for name, report in self.script.unread():
                if report.kind in ("fault", "ended"):
                    complaints[name] = report.text
            if limit.passed:
                name = waiting[0]
                said = complaints.get(name, "it does not answer")
                raise InstrumentError(f"setter {name!r}: {said}; nothing was set")
        self.script.begin_watch()

    def _require_right(self, handle: SetterHandle) -> None:
        """Refuse a setter that others use, or another one than a cut sequence had."""
        try:
            handle.require_right()
        except WrongInstrumentError as error:
            raise WrongInstrumentError(
                f"{error}, or add --exchanged {handle.name} if it was exchanged; "
                "nothing was set",
                address=error.address,
            ) from error

    def _hear_setter(self, name: str, report: SetterReport) -> None:
        self.script.heard(name, report)

    def start_reading(self, run: LiveRun) -> None:
        """Let nothing read yet: a device is measured when it is its turn."""
        self._segments[run.run_id] = run.segment_id
        for name, report in self.script.opened.items():
            text, raw = words_of(name, report.text, self._known.get(name, ""))
            self.book.runs.note(run, EventKind.SETTER, text, name, raw)
        self.book.intake.turns.setdefault(run.position.frequency, 0)

    # --- the loop ---------------------------------------------------------------------

    def turns_left_s(self) -> float:
        """See `HearingLoop.turns_left_s`."""
        return self.script.left_s()

    def handing_over_s(self) -> float:
        """See `HearingLoop.handing_over_s`."""
        return self.script.hand_over.left_s()

    def _wait(self) -> Iterator[Heard]:
        """See `HearingLoop`; setters hear that we are there, also before the loop."""
        yield from super()._wait()
        self._held.tend()

    def go_on_in_turns(self) -> None:
        """Go on with the sequence until there is something to wait for."""
        with self.boundary.round("a step of the sequence") as deed:
            self.script.step()
        if deed.fault is not None:
            self.script.make_safe(f"the sequence cannot go on: {deed.words}")

    def _heard_of(self, kind: str, what: str) -> list[Heard]:
        if kind != SETTER:
            return super()._heard_of(kind, what)
        self._held.hear(what)
        return []

    def _dispatch(self, heard: Heard) -> None:
        name, message = heard
        if isinstance(message, Ended) and message.kind is EventKind.CRASHED:
            self.script.lost(f"instrument {name!r}", f"its process {message.how}")
        if name in self._counters:
            self.script.outages.heard(name, message)
        if name in self._counters and (
            isinstance(message, Got)
            or (isinstance(message, Failed) and message.kind in NO_VALUE)
        ):
            self.script.heard_counter(name, message)
            return
        super()._dispatch(heard)

    def finish(self) -> None:
        """Let go of every setter, then of everything else, whatever happened.

        Only then is the rack judged.
        """
        try:
            for name, why in self._held.finish():
                self._tell_held(name, why)
        finally:
            super().finish()
            if self.book.racked:
                with self.boundary.round("the verdicts of the rack"):
                    self.book.judge_racked()

    def _tell_held(self, name: str, why: str) -> None:
        """Tell every run, over or not, and whoever looks on, that it was not let go."""
        text = held_words(name, why)
        clock = self.surroundings.clock
        event = Event(clock.utc_ns(), clock.mono_ns(), EventKind.SETTER, text, name)
        rows = [(run, segment, event) for run, segment in self._segments.items()]
        with contextlib.suppress(BenchlogError):
            self.surroundings.writer.commit(rows)
        self.surroundings.tell(event_notice(0, event))

    def now(self) -> Mapping[str, str]:
        """See `Keeper`: the step, and what is waited for."""
        where = self.script.where
        step = "" if where is None else f"step {where.index + 1} {where.name!r}: "
        return {"doing": step + self.script.doing}

    def note_all(self, text: str, name: str = "") -> None:
        """Write into every run what a setter did or failed to do."""
        for run in self.book.runs.all():
            self.book.runs.note(run, EventKind.SETTER, text, name)

    def trouble_all(self, text: str, name: str) -> None:
        """Write trouble of a setter into every run; what comes again is counted."""
        for run in self.book.runs.all():
            self.book.runs.trouble(run, EventKind.SETTER, text, name)


__all__ = ["RackKeeper", "SetterReport"]
