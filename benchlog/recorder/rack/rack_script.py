"""The order of events of a qualification: set, settle, measure each device in its turn.

It is written as one generator: it yields whenever there is something to wait for, and
the keeper's loop goes on with it when it has heard what came. Every wait is bounded.
"""

from collections.abc import Generator, Iterator
from typing import Final

from benchlog.model import (
    DRIVE_UNITS,
    Drive,
    EventKind,
    Step,
)
from benchlog.model import (
    STEP_BEGINS as BEGINS,
)
from benchlog.model import (
    STEP_OVER as OVER,
)
from benchlog.recorder.rack.rack_reports import RackOwner, SafeStopError
from benchlog.recorder.rack.rack_task import RackTask
from benchlog.recorder.rack.rack_turns import RackTurns
from benchlog.recorder.rack.turn_sites import gate_of
from benchlog.recorder.run.live_run import LiveRun
from benchlog.units import NS_PER_S, as_stated, format_duration
from benchlog.verdict.rack.going_on import WayBack, way_back
from benchlog.verdict.rack.planned_steps import PlannedStep

_LOOKS: Final = (
    0.25  # of a gate, from one look at a silent device to the next; our rule
)
_RAMP_EVERY_S: Final = 20.0  # bench seconds between orders of a ramp; our rule


COMPLETE: Final = "sequence complete"
"""How the runs of a sequence end that was gone through to its end."""


class RackScript(RackTurns):
    """Takes all devices of a rack through the steps of a plan."""

    def __init__(self, keeper: RackOwner, task: RackTask) -> None:
        super().__init__(keeper, task)
        self._set_to: dict[str, float] = {}
        self._script = self._whole()
        self._over = False

    # --- what the keeper's loop hands over --------------------------------------------

    def step(self) -> None:
        """Go on until there is something to wait for."""
        if self._over:
            return
        try:
            self._watch()
            next(self._script)
        except StopIteration:
            self._over = True
            self._let_go()
            self._end(COMPLETE)
        except SafeStopError as error:
            self.make_safe(str(error))

    def make_safe(self, why: str) -> None:
        """Let go of everything and end, with the reason in every run."""
        if self._over and not self._keeper.book.runs.by_id:
            return
        self._over = True
        self._let_go()
        self._keeper.note_all(f"made safe: {why}")
        self._end(f"made safe: {why}")

    def _let_go(self) -> None:
        for handle in self._keeper.setters.values():
            handle.release()

    # --- the script -------------------------------------------------------------------

    def _whole(self) -> Iterator[None]:
        steps = self._task.steps[self._task.first :]
        # a loop that is gone on with began when this pass would have been due
        past_s = steps[0].not_before_s if steps else 0.0
        loop_ns = self._clock.mono_ns() - round(past_s * NS_PER_S)
        back = way_back(self._task.steps, self._task.first)
        if back is not None:
            yield from self._restore(back)
        elif steps and steps[0].powered and steps[0].step.power is None:
            self.where = steps[0]
            if self._task.setters_of(Drive.SUPPLY):  # off since it was let go of last
                yield from self._switch(on=True)
        before: PlannedStep | None = None
        for planned in steps:
            if planned.pass_ == 0 and (before is None or before.pass_ is None):
                loop_ns = self._clock.mono_ns()
            if planned.pass_ is not None:
                due_ns = loop_ns + round(planned.not_before_s * NS_PER_S)
                self.doing = "waits for its time"
                yield from self._rest_until(due_ns)
            yield from self._one(planned)
            before = planned

    def _restore(self, back: WayBack) -> Iterator[None]:
        """Bring everything back to where it stood before the step that was cut."""
        self.where = planned = back.there
        for name in self._task.setters_of(Drive.TEMPERATURE):
            while (latest := self._keeper.setters[name].latest) is None:
                yield
            if latest.value is not None:
                said = f"{name!r} measures {as_stated(latest.value, 4)} C by now"
                self._keeper.note_all(f"gone on with: {said}", name)
        if self._task.setters_of(Drive.SUPPLY):
            yield from self._switch(planned.powered)
        for drive, value in planned.state.items():
            yield from self._set(drive, value, planned.step.ramp_per_min)
        if not (yield from self._settle(planned)):
            self._say("not settled where it is gone on from")
        since_ns = self._power_ns
        if since_ns is not None:
            gone_s = (self._clock.mono_ns() - since_ns) / NS_PER_S
            promised_s = self._task.plans[0].part.limits.warm_up_s or 0.0
            self.doing = "waits until devices have warmed up"
            yield from self._rest(max(back.powered_s, promised_s) - gone_s)

    def _one(self, planned: PlannedStep) -> Iterator[None]:
        """Take all devices through one step."""
        self.where, step = planned, planned.step
        self._say(f"step {planned.index + 1} {planned.name!r} begins", BEGINS)
        if step.power is not None and not step.anew:
            yield from self._switch(step.power)
        for order in planned.orders:
            yield from self._set(order.drive, order.value, step.ramp_per_min)
        settled, late = True, False
        if step.settle:
            settled = yield from self._settle(planned)
            late = not settled
        if late and step.late == "stop":
            limit = format_duration(step.at_most_s)
            raise SafeStopError(f"step {planned.name!r} had not settled after {limit}")
        if step.anew:
            yield from self._start_each(planned)
        elif step.wait_s:
            self.doing = "waits"
            yield from self._rest(step.wait_s)
        if step.gates and not step.anew and not (late and step.late == "skip"):
            yield from self._scan(planned, settled=settled)
        self._say(f"step {planned.index + 1} {planned.name!r} is over", OVER)

    def _start_each(self, planned: PlannedStep) -> Iterator[None]:
        """Switch off and on for one device after the other; look when it begins to run.

        Its channel is closed before, so that it is looked at from power on. In turns
        with others that is known to within a round of all devices only.
        """
        for run in self._runs():
            yield from self._switch(on=False)
            self.doing = f"waits without power before {run.plan.device}"
            yield from self._rest(planned.step.wait_s)
            certain = yield from self._close_channel(run)
            if certain:
                certain = yield from self._is_silent(run, planned.step)
            asked_ns = self._clock.mono_ns()
            yield from self._switch(on=True)
            self.doing = f"looks when {run.plan.device} starts"
            if certain:
                yield from self._see_start(run, planned.step, asked_ns)

    def _is_silent(self, run: LiveRun, step: Step) -> Generator[None, None, bool]:
        """Look at a device without power; one that runs all the same has no start-up.

        Returns whether it is silent. One that is not is told so, and its turn noted.
        """
        before, began = run.accepted, self._now()
        certain = yield from self._gates(run, step.gates, aside=True)
        if run.accepted == before:
            return certain
        text = f"{run.plan.device} gives a signal without power: what feeds it?"
        self._keeper.book.runs.note(run, EventKind.SETTER, text)
        readings = run.accepted - before
        self._note_turn(run, readings=readings, began=began)
        return False

    def _see_start(self, run: LiveRun, step: Step, asked_ns: int) -> Iterator[None]:
        """Look at a device from power on until it runs; note from when to when it was.

        Power came between the order, `asked_ns`, and its answer. A device is silent to
        the begin of the last gate without a signal, and runs from that of the first
        one with.
        """
        on_ns = self._power_ns or self._clock.mono_ns()
        before, began = run.accepted, self._now()
        silent_ns = on_ns
        started: tuple[float, float] | None = None
        certain = True
        while certain and started is None:
            look_ns = self._clock.mono_ns()
            if look_ns - on_ns > (step.scan_s or 0.0) * NS_PER_S:
                break
            certain = yield from self._gates(run, step.gates, aside=True)
            if run.accepted == before:
                silent_ns = look_ns
                yield from self._rest(_LOOKS * gate_of(run.spec))
            elif run.previous_mono_ns is not None:
                taken = run.accepted - before
                gates_ns = taken * gate_of(run.spec) * NS_PER_S
                ran_ns = max(silent_ns, run.previous_mono_ns - round(gates_ns))
                low_s, high_s = (silent_ns - on_ns), (ran_ns - asked_ns)
                started = max(0, low_s) / NS_PER_S, max(low_s, high_s) / NS_PER_S
        if started is None and not certain:
            return  # it may have started; nobody could see it
        self._note_turn(
            run,
            readings=run.accepted - before,
            began=began,
            started_s=started,
        )

    def _switch(self, on: bool) -> Iterator[None]:
        self.doing = f"switches power {'on' if on else 'off'}"
        for name in self._task.setters_of(Drive.SUPPLY):
            handle = self._keeper.setters[name]
            if on and name not in self._set_to:
                yield from self._first_voltage(name)
            order = self._order_of(name, "power", float(on), "")
            yield from self._answer(name, handle.switch(on))
            self.note_switched(name, on=on)
            self._log_order(order, None, self._runs())
        self._power_ns = self._clock.mono_ns() if on else None
        self._seen.clear()

    def _first_voltage(self, name: str) -> Iterator[None]:
        """See that a supply is set to what devices may have before it is switched on.

        To the nominal voltage, where it is known; else to what somebody has set.
        """
        low, high = self._task.bounds[name]
        nominal = self._task.references.get(Drive.SUPPLY)
        if nominal is not None and low <= nominal <= high:
            yield from self._order(name, Drive.SUPPLY, nominal)
            self._tell_fed(name, nominal, "the part's nominal voltage")
            return
        handle = self._keeper.setters[name]
        report = yield from self._answer(name, handle.check())
        if report.read_back is None or not low <= report.read_back <= high:
            raise SafeStopError(
                f"setter {name!r} is set to {as_stated(report.read_back or 0.0)} V; "
                f"{as_stated(low)} to {as_stated(high)} V is allowed: not switched on"
            )
        self._tell_fed(name, report.read_back, "as it was left")

    def _tell_fed(self, name: str, volts: float, whose: str) -> None:
        """Tell what devices are fed with: whoever measured last has switched it off."""
        said = f"setter {name!r}: switched on at {as_stated(volts)} V, {whose}"
        self._keeper.note_all(said, name)

    def _set(
        self, drive: Drive, value: float, ramp_per_min: float | None
    ) -> Iterator[None]:
        """Set one drive at all its setters, along a ramp where one is asked for."""
        for name in self._task.setters_of(drive):
            handle = self._keeper.setters[name]
            begin = self._set_to.get(name)
            if begin is None and handle.latest is not None:
                begin = handle.latest.value
            if ramp_per_min is not None and begin is not None:
                yield from self._ramp(name, drive, begin, value, ramp_per_min)
            yield from self._order(name, drive, value)
            if handle.switches and drive is not Drive.SUPPLY:  # power is a step's own
                yield from self._answer(name, handle.switch(True), refusable=True)
                self.note_switched(name, on=True)
        self._seen.clear()

    def _ramp(
        self, name: str, drive: Drive, begin: float, end: float, per_min: float
    ) -> Iterator[None]:
        """Order places along a straight line in time, all between its ends."""
        per_s = per_min / 60.0
        began_ns = self._clock.mono_ns()
        low, high = self._task.bounds[name]
        while True:
            gone_s = (self._clock.mono_ns() - began_ns) / NS_PER_S
            if gone_s * per_s >= abs(end - begin):
                return
            at = begin + (gone_s * per_s if end > begin else -gone_s * per_s)
            if low <= at <= high:
                yield from self._order(name, drive, round(at, 2))
            self.doing = f"goes to {as_stated(end, 6)} {DRIVE_UNITS[drive]}"
            yield from self._rest(_RAMP_EVERY_S)

    def _order(self, name: str, drive: Drive, value: float) -> Iterator[None]:
        """Order one value; what is read back must be it."""
        unit = DRIVE_UNITS[drive]
        self.doing = f"sets {drive} to {as_stated(value, 6)} {unit}"
        self._released.pop(name, None)
        order = self._order_of(name, str(drive), value, unit)
        number = self._keeper.setters[name].set(value)
        report = yield from self._answer(name, number)
        self._log_order(order, report.read_back, self._runs())
        if report.read_back is None:
            return
        if not self.obeys(name, value, report.read_back):
            raise SafeStopError(
                f"setter {name!r} was told {as_stated(value)} {unit} and reads back "
                f"{as_stated(report.read_back)}: it disobeys, or its dialect's scale "
                "or unit is wrong"
            )
        self._set_to[name] = value

    def _end(self, how: str) -> None:
        for run_id in list(self._keeper.book.runs.by_id):
            self._keeper.end_one(run_id, how)
