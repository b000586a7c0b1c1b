"""A keeper that begins the next run of a lot when a device is there."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from benchlog.model import EventKind, Sample
from benchlog.recorder.hearing_loop import ENDING, Surroundings
from benchlog.recorder.instruments.instrument_messages import Failed, Got, Order
from benchlog.recorder.instruments.instrument_pool import Heard
from benchlog.recorder.keeper_loop import Keeper
from benchlog.recorder.lot.device_ids import Ids
from benchlog.recorder.lot.device_site import STILL_IN, DeviceSite
from benchlog.recorder.lot.id_desk import IdDesk
from benchlog.recorder.lot.lot_book import LotBook, Task
from benchlog.recorder.lot.lot_commands import LotCommands
from benchlog.recorder.notice import RunNotice
from benchlog.recorder.rack.turn_sites import TurnSite
from benchlog.recorder.run.device_settling import jumped
from benchlog.recorder.run.live_run import LiveRun
from benchlog.recorder.run.plan_checks import position_of
from benchlog.units import format_duration, printable

_LOOK_AGAIN_S: Final = 0.5  # our rule: a device put in is seen at once
_TRIES: Final = 2  # our rule: see below
"""A device that was set aside so often for a change of frequency is left to stand."""


class LotKeeper(Keeper):
    """A keeper that begins the next run when a device is there."""

    def __init__(self, task: Task, around: Surroundings, ids: Ids | None) -> None:
        super().__init__(task.templates, around, go_on=False)
        self.task, self.ids = task, ids
        self.lot = LotBook(task, around.database, around.writer, around.clock)
        self.places = [
            DeviceSite(template=plan, clock=around.clock) for plan in task.templates
        ]
        self.commands: LotCommands = LotCommands(self)
        self.leaving = self.paused = False
        self._said = ""
        self.idle_at: DeviceSite | None = None
        self._aside: Counter[str] = Counter()
        self._asked: set[int] = set()
        self._held_runs: set[int] = set()
        self._desk = (
            None if ids is None else IdDesk(ids, self.lot, self.say, self.under_way)
        )
        for instrument in self.pool.by_name.values():
            instrument.longest_wait_s = _LOOK_AGAIN_S
        if ids is not None:
            ids.be_heard(around.selector)

    def recover(self) -> None:
        """Close what a killed keeper left open."""
        for text in self.lot.recover():
            self.say(text)
        if self._desk is not None:
            self._desk.recall([place.name for place in self.places])

    def begin(self) -> None:
        """Open the control socket; let the counters read where devices are seen."""
        self.open_door()
        ready = RunNotice(run_id=0, kind="ready", text=self._socket.name)
        self.surroundings.tell(ready)
        if self.task.watched:
            for place in self.places:
                place.left = not self.lot.may_be_in(place.name)
                self._look(place)

    def loop(self) -> None:
        """Go on until the lot is done or the ids are, or somebody leaves."""
        while not self._over():
            self.turn()
            with self.boundary.round("looking whether a run is over", passes=ENDING):
                self._end_over()
            with self.boundary.round("looking for the next device"):
                self._next()
            with self.boundary.round("letting counters read on"):
                self._allow_more()

    def leave(self) -> None:
        """End here; the lot can be gone on with another time."""
        self._end_all("left")

    def say(self, text: str) -> None:
        """Say something that is no run's affair alone."""
        self._said, self.idle_at = text, None
        notice = RunNotice(run_id=0, kind="waiting", text=printable(text))
        self.surroundings.tell(notice)

    @property
    def said(self) -> str:
        """What a person should know; how long nothing came is as long as by now."""
        return self._said if self.idle_at is None else self.idle_at.idling

    def ids_came(self) -> None:
        """Read device ids from another program."""
        if self.ids is not None:
            self.ids.read()
            self.ids.be_heard(self.surroundings.selector)

    # --- runs ------------------------------------------------------------------------

    def begin_at(self, place: DeviceSite, device: str, *, again: str = "") -> int:
        """Begin a run on a device; what is odd about it is an event in the run."""
        times, still_in = self.lot.times(device), not place.left
        plan = replace(place.template, device=device)
        run_id = self.begin_one(plan, follows=True)
        place.begun(run_id)
        self._said, self.idle_at = "", None
        run = self.book.runs.by_id[run_id]
        if times and not again:
            often = "once" if times == 1 else f"{times} times"
            text = f"device {device} was measured {often} before in this lot"
            self._note(run, EventKind.TWICE, text + "; its newest run counts")
        if self.task.watched and still_in and not again:
            self._note(run, EventKind.STILL_IN, STILL_IN)
        if place.idled_s:
            text = f"nothing was measured for {format_duration(round(place.idled_s))}"
            self._note(run, EventKind.IDLE, text + " before")
        if again:
            self._note(run, EventKind.AGAIN, again)
        return run_id

    def end_one(self, run_id: int, how: str) -> None:
        """End one run, see how the lot stands, and look out for the next device."""
        super().end_one(run_id, how)
        place = self.place_of(run_id)
        place.ended()
        with self.boundary.round("how the lot stands"):
            self._say_how_it_stands(run_id, place)
        if self.task.watched and not self.leaving:
            self._look(place)

    def _say_how_it_stands(self, run_id: int, place: DeviceSite) -> None:
        standing = self.lot.decide()
        last = self.lot.counted(run_id)
        if last is not None:
            done = f"{len(self.lot.results)}/{self.lot.sample_size}"
            at = f"{place.name}: " if len(self.places) > 1 else ""
            line = self.lot.line_of(last)
            text = f"{at}{line}  {done}  {standing.decision}: {standing.text}"
            self.surroundings.tell(RunNotice(run_id=run_id, kind="device", text=text))

    def set_aside(self, run: LiveRun, how: str, text: str) -> None:
        """End a run that shall not count, and say why."""
        self._note(run, EventKind.SET_ASIDE, text)
        self.end_one(run.run_id, how)

    def unfinished(self, run: LiveRun) -> str:
        """Return why a person cannot end a run just now; empty where one can."""
        del run
        return ""

    @property
    def holding(self) -> bool:
        """Whether nothing is begun until a person has answered about a device.

        Where ids come from a list, or nobody looks on, there is nobody to ask: the run
        does not count, and the next device is measured.
        """
        asks = self.ids is None and not self.task.alone
        return asks and bool(self._asked & self.book.runs.by_id.keys() or self.lot.held)

    def ask_about(self, run_id: int, *, asked: bool) -> None:
        """Note whether something is asked about the device of an open run."""
        (self._asked.add if asked else self._asked.discard)(run_id)

    def _hold_device(self, run: LiveRun, why: str) -> None:
        """Let a run count for nothing until a person has answered."""
        self._held_runs.add(run.run_id)
        self.ask_about(run.run_id, asked=True)
        self._note(run, EventKind.WRONG_PART, why)
        self._note(run, EventKind.SET_ASIDE, "held until a person has answered")
        self._note(run, EventKind.HELD, why)
        self.say(f"{run.plan.device}: {why}")
        self._said = ""  # the screen asks, with the keys that answer

    def place_of(self, run_id: int) -> DeviceSite:
        """Return where a run is."""
        return next(place for place in self.places if place.run_id == run_id)

    def _end_all(self, how: str) -> None:
        """Set aside what is not finished: its device is measured when it goes on."""
        self.leaving = True
        for run in self.book.runs.all():
            self.set_aside(run, how, f"{how} before the verdict was clear")

    def _note(self, run: LiveRun, kind: EventKind, text: str) -> None:
        self.book.runs.note(run, kind, printable(text))

    # --- turns ------------------------------------------------------------------------

    def turn_sites(self, scanner: str) -> Sequence[TurnSite]:
        """Return who wants a turn now: runs, and places where a device may come."""
        found: list[TurnSite] = []
        for place in self.places:
            position = position_of(place.template)
            run = self.book.runs.by_id.get(place.run_id or 0)
            if position.through != scanner or (run is not None and run.paused):
                continue
            looks = run is None and self.task.watched and not self.leaving
            if looks or (run is not None and not run.full):
                found.append(TurnSite(position, run))
        return found

    def gates_alone(self, run: LiveRun) -> int | None:
        """Return as many as it takes to the next look, and no further."""
        return max(1, run.wanted)

    def value_in_turn(self, site: TurnSite, got: Got) -> None:
        """Take a value of the place whose turn it is."""
        if site.run is not None:
            super().value_in_turn(site, got)
        self._see_in_turn(site, got)

    def dark_in_turn(self, site: TurnSite, failed: Failed) -> None:
        """Take it that the place whose turn it is has no signal."""
        self._see_in_turn(site, failed)

    def _see_in_turn(self, site: TurnSite, message: Got | Failed) -> None:
        for place in self.places:
            if place.name == site.position.name:
                self._see(place, message)

    # --- what is seen ----------------------------------------------------------------

    def _dispatch(self, heard: Heard) -> None:
        super()._dispatch(heard)
        name, message = heard
        if name in self.turning.counters:
            return  # it is seen in its turn
        for place in self.places:
            if place.counter == name:
                self._see(place, message)

    def _look(self, place: DeviceSite) -> None:
        """Let the counter of a place read, for what is seen of devices there."""
        if place.counter not in self.turning.counters:
            self.pool.order(place.counter, Order.GO)

    def _see(self, place: DeviceSite, message: object) -> None:
        run = self.book.runs.by_id.get(place.run_id or 0)
        match message:
            case Got():
                if place.signal() and run is None and self.task.watched:
                    self.say(place.coming)
                if (said := self._far_off(place, message.sample)) and run is not None:
                    self._hold_device(run, said)
            case Failed(kind=EventKind.NO_SIGNAL):
                if place.darkness():
                    self._gone(place, run)
            case _:
                pass
        # Who is asked about a device that is held cannot put the next one in.
        awaited = self.task.watched and not self.lot.complete and not self.holding
        if awaited and (said := place.idle()):
            self.say(said)
            self.idle_at = place

    def _far_off(self, place: DeviceSite, sample: Sample) -> str:
        return place.far_off(sample)

    def _gone(self, place: DeviceSite, run: LiveRun | None) -> None:
        if run is None:
            if self.task.watched:
                self.say(f"the device at {place.name} is out: the next one, please")
            return
        if run.accepted and not self.ends.wait_for(run):
            text = "taken out while it was measured"
            self._note(run, EventKind.REMOVED, text)
            with self.ends.later(go_on=True):
                self.set_aside(run, "device removed", f"{text}: it does not count")
            self.say(f"{run.plan.device} was {text}: put it in again, or the next one")

    def _end_over(self) -> None:
        """End what is over, also what the database did not take before."""
        for run, how in self.ends.beside(self.book.over()):
            with self.ends.later(go_on=not self.leaving):
                self._end_as_it_is(run, how)

    def _end_as_it_is(self, run: LiveRun, how: str) -> None:
        """End a run; one that jumped is set aside, but for a device that does so."""
        device, limit = run.plan.device, run.plan.part.limits.tolerance_ppm
        changed = jumped(run.recent.offsets_ppm, limit)
        stands = self.ends.wait_for(run) or self._aside[device] >= _TRIES
        if not changed or stands:
            self.end_one(run.run_id, how)
            return
        self._aside[device] += 1
        text = "the frequency jumped: was the device changed or knocked?"
        self._note(run, EventKind.SWAPPED, text)
        self.set_aside(run, "device changed", f"{text} It does not count")
        self.say(f"{device} jumped while it was measured: measure it again")

    # --- what is next ----------------------------------------------------------------

    def _over(self) -> bool:
        if self.book.runs.by_id:
            return False
        if self.leaving:
            return True
        if self._desk is not None:
            return self._desk.exhausted
        return self.task.alone and self.lot.over

    def _next(self) -> None:
        """Begin a run at every free place whose device is known and there."""
        if self.leaving or self.paused or self.holding:
            return
        for place in self.places:
            if place.run_id is not None:
                continue
            if not place.device:
                place.device = self._next_device(place) or ""
            if place.device and (place.ready or not self.task.watched):
                self.begin_at(place, place.device)
        if self.ids is not None:
            self.ids.be_heard(self.surroundings.selector)

    def _next_device(self, place: DeviceSite) -> str | None:
        if self._desk is not None:
            return self._desk.next_at(place.name)
        numbers = bool(self.task.prefix) and place.left and place.seen is True
        room = self.lot.has_room(len(self.under_way()))
        return self.lot.next_number(self.under_way()) if numbers and room else None

    def under_way(self) -> set[str]:
        """Return the devices that are being measured or waited for."""
        measured = {run.plan.device for run in self.book.runs.all()}
        waiting = {place.device for place in self.places if place.device}
        return measured | waiting | (self._desk.waiting if self._desk else set())

    def _allow_more(self) -> None:
        """Let counters read until the next look at their run, and no further."""
        for run in self.book.runs.all():
            counter = run.position.frequency
            waits = self.in_turns(run) or run.paused or self.ends.wait_for(run)
            if waits or run.fed != run.accepted:
                continue
            if self.pool.by_name[counter].allowed == 0:
                self.pool.allow(counter, max(1, run.wanted))

    def start_reading(self, run: LiveRun) -> None:
        """Let the counter read as far as the first look."""
        if self.in_turns(run):
            return
        counter = run.position.frequency
        self.pool.order(counter, Order.HOLD)
        self.pool.allow(counter, run.wanted)
