"""A lot's keeper that trims chip after chip, where inspecting would judge them."""

from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from typing import Final

from benchlog.clock import host_sleep
from benchlog.errors import BenchlogError, InstrumentError
from benchlog.model import EventKind, Reading, Sample
from benchlog.model.counting import BEST_FOUND
from benchlog.recorder.hearing_loop import Surroundings
from benchlog.recorder.instruments.instrument_pool import Heard
from benchlog.recorder.keeper_loop import Keeper
from benchlog.recorder.lot.burn_contract import BurnError, ProgramUnderWay
from benchlog.recorder.lot.burning import BenchProgram, DeviceBurning
from benchlog.recorder.lot.device_ids import Ids
from benchlog.recorder.lot.device_site import DeviceSite
from benchlog.recorder.lot.feeding import Feeds
from benchlog.recorder.lot.lot_book import TrimTask
from benchlog.recorder.lot.lot_keeper import LotKeeper
from benchlog.recorder.notice import RunNotice
from benchlog.recorder.rack.held_setters import SETTER, HeldSetters, held_words
from benchlog.recorder.rack.setter_handle import SetterReport
from benchlog.recorder.run.bookkeeper import JudgedBatch
from benchlog.recorder.run.live_run import LiveRun
from benchlog.recorder.run.plan_checks import position_of
from benchlog.recorder.sound_trimmer import SoundTrimmer
from benchlog.recorder.trim_session import TrimSession, search_of
from benchlog.recorder.trimming import trimmer_of
from benchlog.units import as_stated, printable

_IN_A_ROW: Final = 3  # our rule: three dead chips are rare, a loose plug is not
_LOOK_S: Final = 0.05  # our rule: seen at once
_BURNS_IN_A_ROW: Final = 2  # our rule: a programmer that fails spoils what follows


class TrimKeeper(LotKeeper):
    """Searches the code of each device that is put in, as `trim` does for one.

    `fault` is why the line was stopped, where it was: codes could not be set, or
    burned, on several devices one after the other.
    """

    task: TrimTask

    def __init__(self, task: TrimTask, around: Surroundings, ids: Ids | None) -> None:
        super().__init__(task, around, ids)
        for plan in task.templates:
            assert plan.part.trim is not None  # looked at before the lot is opened
            search_of(plan.part.trim, task.start)
        self._trimmers: dict[str, SoundTrimmer] = {
            place.name: trimmer_of(place.template, around.clock)
            for place in self.places
        }
        self._setters: dict[str, str] = {}
        self._sessions: dict[int, TrimSession] = {}
        self._burns: list[BenchProgram] = []
        self._failed = self._burns_failed = 0
        self.fault: BenchlogError | None = None
        rule = task.templates[0].bench.burn
        cycled = task.burn and rule is not None and not rule.power_cycle
        fed = task.templates if cycled else ()
        self._feeds = Feeds(fed, around.clock, around.locks)
        handles = {name: feed.handle for name, feed in self._feeds.by_name.items()}
        self._held = HeldSetters(handles, around.selector, self._hear_supply)

    # --- the supplies, where one is named that feeds a chip alone ---------------------

    def wait_for_all(self) -> None:
        """Switch supplies on, then wait as for any lot. Raises InstrumentError."""
        self._held.start()
        for _ in self._feeds.switching_on():
            self._hear_scanners()
            if self.surroundings.signals.caught is not None:
                raise BenchlogError("stopped before the first chip: nothing recorded")
        for name, feed in self._feeds.by_name.items():
            self.say(f"supply {name!r} is on at {as_stated(feed.volts)} V for the lot")
        super().wait_for_all()

    def _wait(self) -> Iterator[Heard]:
        yield from super()._wait()
        self._held.tend()

    def _heard_of(self, kind: str, what: str) -> list[Heard]:
        if kind != SETTER:
            return super()._heard_of(kind, what)
        self._held.hear(what)
        return []

    def _hear_supply(self, name: str, report: SetterReport) -> None:
        self._feeds.by_name[name].heard(report)
        if report.kind in ("fault", "ended", "released", "refused"):
            text = f"setter {name!r}: {report.kind}: {report.text}"
            for run in self.book.runs.all():
                self.book.runs.trouble(run, EventKind.SETTER, text, name)

    # --- the trimmers -----------------------------------------------------------------

    def begin(self) -> None:
        """Open what sets the codes, then as for any lot."""
        for name, trimmer in self._trimmers.items():
            trimmer.open()
            self._setters[name] = trimmer.identify().text
        super().begin()
        for text in dict.fromkeys(one.outdated for one in self._trimmers.values()):
            if text:
                self.say(text)

    def finish(self) -> None:
        """End as any lot, and let go of what sets the codes."""
        try:
            super().finish()
        finally:
            self._see_burns_out()
            try:
                for trimmer in self._trimmers.values():
                    trimmer.close()
            finally:
                for name, why in self._held.finish():
                    self.say(held_words(name, why))

    def _see_burns_out(self) -> None:
        """Wait for burns that are under way: a chip must not lose its supply in one."""
        if self._burns:
            self.say("a chip is being burned: the lot ends when that has ended")
        for burn in self._burns:
            while burn.outcome() is None:
                self._held.tend()
                host_sleep(_LOOK_S)

    # --- runs -------------------------------------------------------------------------

    def begin_at(self, place: DeviceSite, device: str, *, again: str = "") -> int:
        """Begin a run and the search in it."""
        burning = self._burning(place, device)
        run_id = super().begin_at(place, device, again=again)
        run = self.book.runs.by_id[run_id]
        self._note(run, EventKind.TRIM, f"codes are set by {self._setters[place.name]}")
        part = place.template.part
        assert part.trim is not None
        search = search_of(part.trim, self.task.start)
        trimmer = self._trimmers[place.name]
        self._sessions[run_id] = TrimSession(self, trimmer, search, run, burning)
        return run_id

    def start_reading(self, run: LiveRun) -> None:
        """Let the counter read on: nobody knows how many codes there will be."""
        Keeper.start_reading(self, run)

    def end_one(self, run_id: int, how: str) -> None:
        """End one run and its search."""
        burn = self._under_way(run_id)
        if isinstance(burn, BenchProgram):
            self._burns.append(burn)
        self._sessions.pop(run_id, None)
        super().end_one(run_id, how)

    def unfinished(self, run: LiveRun) -> str:
        """Say that what was begun with the chip must come to its end first."""
        if self._under_way(run.run_id) is None:
            return ""
        device = printable(run.plan.device)
        return f"{device} is being burned, or has no supply: try again in a moment"

    def _under_way(self, run_id: int | None) -> ProgramUnderWay | None:
        session = self._sessions.get(run_id or 0)
        return None if session is None else session.under_way

    def _burning(self, place: DeviceSite, device: str) -> DeviceBurning | None:
        rule = place.template.bench.burn
        if not self.task.burn or rule is None:
            return None
        words: Mapping[str, object] = {
            "device": device,
            "position": place.name,
            "lot": self.task.lot.lot,
        }
        feed = self._feeds.by_position.get(place.name)
        at, by_name = position_of(place.template), place.template.bench.instruments
        names = (name for name in (at.trim, at.frequency) if name is not None)
        locks = (
            self.surroundings.locks.descriptor(by_name[name].address) for name in names
        )
        held = tuple(dict.fromkeys(one for one in locks if one is not None))
        return DeviceBurning(rule, words, self.lot.burned_before(device), feed, held)

    # --- the search -------------------------------------------------------------------

    def _tell_judged(self, judged: Iterable[JudgedBatch]) -> None:
        for run, got, assessment in judged:
            session = self._sessions.get(run.run_id)
            for one in got:
                if session is not None and isinstance(one, Reading):
                    session.heard(one)
            super()._tell_judged([(run, got, assessment)])

    def _end_over(self) -> None:
        """Go on with each search; end those that are over, or take too long."""
        if self._feeds.wrong and self.fault is None:
            self.fault = BenchlogError(
                f"chips have no supply any more: {self._feeds.wrong}. Look at it; the "
                "same command goes on from here"
            )
            self.leave()
        for run in self.book.runs.all():
            session = self._sessions.get(run.run_id)
            if session is not None and not run.paused:
                self._go_on(run, session)
        for run, how in self.ends.beside(self.book.over()):
            if self.unfinished(run):
                continue  # each has a limit of its own
            with self.ends.later(go_on=not self.leaving):
                self._end_without_code(run, how)

    def _end_without_code(self, run: LiveRun, how: str) -> None:
        if self.ends.wait_for(run):
            self.end_one(run.run_id, how)
            return
        text = "no code was found in time"
        self.set_aside(run, "no code found", f"{text}: it does not count")
        self.say(f"{run.plan.device} was set aside: {text}")

    def _go_on(self, run: LiveRun, session: TrimSession) -> None:
        try:
            session.turn()
        except BenchlogError as error:
            self._could_not(run, error)
            return
        if session.wrong and not self._is_held(run):
            self._hold_device(run, session.wrong)
        if session.over:
            self._failed = self._burns_failed = 0
            with self.ends.later(go_on=not self.leaving):
                self.end_one(run.run_id, BEST_FOUND)

    def _could_not(self, run: LiveRun, error: BenchlogError) -> None:
        """Set a device aside; when it is one after the other, stop the line."""
        burn = isinstance(error, BurnError)
        how = "not burned" if burn else "code not set"
        self._failed += 1
        self._burns_failed += burn
        device = run.plan.device
        with self.ends.later(go_on=not self.leaving):
            self.set_aside(run, how, f"{how}: {error}")
        self.say(f"{device} was set aside: {error}")
        trimmer = self._trimmers[position_of(run.plan).name]
        trimmer.close()
        with suppress(InstrumentError):
            trimmer.open()
        if self._failed >= _IN_A_ROW or self._burns_failed >= _BURNS_IN_A_ROW:
            self.fault = BenchlogError(
                f"{self._failed} devices one after the other were set aside, the last "
                f"one {printable(device)}: {error}. Look at trimmer, programmer and "
                "contacts; the same command goes on from here"
            )
            self.leave()

    def _is_held(self, run: LiveRun) -> bool:
        return run.run_id in self._held_runs

    def _allow_more(self) -> None:
        """Counters read on by themselves."""

    def _see(self, place: DeviceSite, message: object) -> None:
        """See what is there; a programmer may stop a chip, and its supply be away."""
        if self._under_way(place.run_id) is None:
            super()._see(place, message)

    def _far_off(self, place: DeviceSite, sample: Sample) -> str:
        """Ask about the best code only: others may be as far off as the part allows."""
        session = self._sessions.get(place.run_id or 0)
        return place.far_off(sample) if session is not None and session.is_last else ""

    # --- what is told -----------------------------------------------------------------

    def _say_how_it_stands(self, run_id: int, place: DeviceSite) -> None:
        standing = self.lot.decide()
        last = self.lot.counted(run_id)
        if last is None:
            return
        done = f"{standing.passed} of {len(self.lot.results)} brought in"
        at = f"{place.name}: " if len(self.places) > 1 else ""
        code = self.lot.code_of(run_id)
        text = f"{at}{self.lot.line_of(last)}  code {code}  {done}"
        self.surroundings.tell(RunNotice(run_id=run_id, kind="device", text=text))
