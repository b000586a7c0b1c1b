"""The order of events of a qualification: set, settle, measure each device in its turn.

It is written as one generator: it yields whenever there is something to wait for, and
the keeper's loop goes on with it when it has heard what came. Every wait is bounded.
"""

import json
from collections import defaultdict, deque
from collections.abc import Generator, Iterator
from dataclasses import asdict
from typing import TYPE_CHECKING, Final

import numpy as np

from benchlog.clock import Deadline, host_deadline
from benchlog.errors import BenchlogError
from benchlog.model import (
    DRIVE_UNITS,
    Condition,
    Drive,
    EventKind,
    Flag,
    PositionSpec,
    Turn,
)
from benchlog.model import (
    STEP_BEGINS as BEGINS,
)
from benchlog.model import (
    STEP_OVER as OVER,
)
from benchlog.recorder.instruments.instrument_messages import Failed, Got, Order
from benchlog.recorder.rack.rack_task import RackTask
from benchlog.recorder.rack.setter_handle import SetterReport
from benchlog.recorder.run.live_run import LiveRun
from benchlog.units import NS_PER_S, as_stated, format_duration, offset_ppm
from benchlog.verdict.rack.planned_steps import PlannedStep
from benchlog.verdict.rack.settled import (
    UNKNOWN,
    Slope,
    device_settled,
    probe_settled,
    slope_of,
)

if TYPE_CHECKING:
    from benchlog.recorder.rack.rack_keeper import RackKeeper

_ANSWER_S: Final = 20.0  # real seconds that an order may take; our rule
_LOST_S: Final = 60.0  # real seconds without a word of a setter: it is lost; our rule
_RAMP_EVERY_S: Final = 20.0  # bench seconds from one order of a ramp to the next
_CLOSE: Final = 1e-3  # of a setter's range: what is read back may differ; our rule
_LIES_C: Final = 8.0
"""Chamber and the bench's probe may differ so far once all has settled; our rule."""
_LOG_EVERY_S: Final = 60.0  # bench seconds between rows of what a setter measures
_KEPT: Final = 4000  # values of the probe that are remembered; our rule
_MISSES: Final = 3  # turns of one device that may fail in a row; our rule
_MARGIN_S: Final = 10.0  # real seconds beyond its gates that a turn may take; our rule


COMPLETE: Final = "sequence complete"
"""How the runs of a sequence end that was gone through to its end."""


class SafeStopError(BenchlogError):
    """The sequence must not go on; everything is let go of."""


class RackScript:
    """Takes all devices of a rack through the steps of a plan."""

    def __init__(self, keeper: "RackKeeper", task: RackTask) -> None:
        self._keeper, self._task = keeper, task
        self._clock = keeper.surroundings.clock
        self._answers: dict[tuple[str, int], SetterReport] = {}
        self._unread: deque[tuple[str, SetterReport]] = deque(maxlen=1000)
        self.opened: dict[str, SetterReport] = {}
        self._silent: dict[str, Deadline] = {}
        self._logged_ns: dict[str, int] = {}
        self._set_to: dict[str, float] = {}
        self._released: dict[str, str] = {}
        self._probe: deque[tuple[float, float]] = deque(maxlen=_KEPT)
        self._seen: dict[int, list[tuple[float, float]]] = defaultdict(list)
        self._missed: dict[int, int] = defaultdict(int)
        self.turn: LiveRun | None = None
        self._dark = False
        self.where: PlannedStep | None = None
        self.doing = "waits to begin"
        self._power_ns: int | None = None
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
            self._end(COMPLETE)
        except SafeStopError as error:
            self.make_safe(str(error))

    def heard(self, name: str, report: SetterReport) -> None:
        """Take a report of a setter."""
        self._unread.append((name, report))
        self._silent[name] = host_deadline(_LOST_S)
        if report.kind == "opened":
            self.opened[name] = report
        elif report.kind in ("done", "refused"):
            self._answers[name, report.number] = report
        elif report.kind == "state":
            self._log_state(name, report)
        elif report.kind == "released":
            self._released[name] = report.text
        if report.kind in ("fault", "ended", "released", "refused"):
            self._keeper.note_all(
                f"setter {name!r}: {report.kind}: {report.text}", name
            )

    def taken(self) -> list[tuple[str, SetterReport]]:
        """Return the reports since last asked."""
        found = list(self._unread)
        self._unread.clear()
        return found

    def no_signal(self, failed: Failed) -> None:
        """Take it that the device whose turn it is gives no signal."""
        self._dark = True
        if self.turn is not None:
            runs = self._keeper.book.runs
            runs.note(self.turn, failed.kind, failed.message, "", failed.raw)

    def stray(self, name: str, got: Got) -> None:
        """Keep, as an event, a value that came when it was nobody's turn."""
        for run in self._keeper.book.runs.all()[:1]:
            text = f"a value of {name!r} came between two turns: it is no device's"
            runs = self._keeper.book.runs
            runs.note(run, EventKind.REJECTED, text, name, got.sample.raw)

    def make_safe(self, why: str) -> None:
        """Let go of everything and end, with the reason in every run."""
        if self._over and not self._keeper.book.runs.by_id:
            return
        self._over = True
        for handle in self._keeper.setters.values():
            handle.release()
        self._keeper.note_all(f"made safe: {why}")
        self._end(f"made safe: {why}")

    # --- the script -------------------------------------------------------------------

    def _whole(self) -> Iterator[None]:
        steps = self._task.steps[self._task.first :]
        # a loop that is gone on with began when this pass would have been due
        past_s = steps[0].not_before_s if steps else 0.0
        loop_ns = self._clock.mono_ns() - round(past_s * NS_PER_S)
        if self._task.first and steps:
            yield from self._restore(steps[0])
        before: PlannedStep | None = None
        for planned in steps:
            if planned.pass_ == 0 and (before is None or before.pass_ is None):
                loop_ns = self._clock.mono_ns()
            if planned.pass_ is not None:
                due_ns = loop_ns + round(planned.not_before_s * NS_PER_S)
                self.doing = "waits for its time"
                while self._clock.mono_ns() < due_ns:
                    yield
            yield from self._one(planned)
            before = planned

    def _restore(self, planned: PlannedStep) -> Iterator[None]:
        """Bring everything back to where it stood when the sequence was cut."""
        self.where = planned
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

    def _one(self, planned: PlannedStep) -> Iterator[None]:
        """Take all devices through one step."""
        self.where, step = planned, planned.step
        self._say(f"step {planned.index + 1} {planned.name!r} begins", BEGINS)
        if step.power is not None:
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
        if step.wait_s:
            self.doing = "waits"
            yield from self._rest(step.wait_s)
        if step.gates and not (late and step.late == "skip"):
            yield from self._scan(planned, settled=settled)
        self._say(f"step {planned.index + 1} {planned.name!r} is over", OVER)

    def _switch(self, on: bool) -> Iterator[None]:
        self.doing = f"switches power {'on' if on else 'off'}"
        for name in self._task.setters_of(Drive.SUPPLY):
            handle = self._keeper.setters[name]
            yield from self._answer(name, handle.switch(on))
            self._log_order(name, "power ordered", float(on), "")
        self._power_ns = self._clock.mono_ns() if on else None
        self._seen.clear()

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
            if handle.opened and drive is Drive.TEMPERATURE:
                yield from self._answer(name, handle.switch(True), refusable=True)
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
            self.doing = f"goes to {as_stated(end)} {DRIVE_UNITS[drive]}"
            yield from self._rest(_RAMP_EVERY_S)

    def _order(self, name: str, drive: Drive, value: float) -> Iterator[None]:
        """Order one value; what is read back must be it."""
        unit = DRIVE_UNITS[drive]
        self.doing = f"sets {drive} to {as_stated(value)} {unit}"
        self._released.pop(name, None)
        number = self._keeper.setters[name].set(value)
        report = yield from self._answer(name, number)
        self._log_order(name, f"{drive} ordered", value, unit)
        if report.read_back is None:
            return
        self._log_order(name, f"{drive} read back", report.read_back, unit)
        low, high = self._task.bounds[name]
        if abs(report.read_back - value) > max(_CLOSE * (high - low), 0.051):
            raise SafeStopError(
                f"setter {name!r} was told {as_stated(value)} {unit} and reads back "
                f"{as_stated(report.read_back)}: it disobeys, or its dialect's scale "
                "or unit is wrong"
            )
        self._set_to[name] = value

    def _answer(
        self, name: str, number: int, *, refusable: bool = False
    ) -> Generator[None, None, SetterReport]:
        """Wait for the report on an order; return it.

        Raises SafeStopError when it is refused or does not come.
        """
        limit = host_deadline(_ANSWER_S)
        while (name, number) not in self._answers:
            if limit.passed:
                raise SafeStopError(f"setter {name!r} did not answer to an order")
            yield
        report = self._answers.pop((name, number))
        if report.kind == "refused" and not refusable:
            raise SafeStopError(f"setter {name!r} refuses: {report.text}")
        return report

    def _rest(self, bench_s: float) -> Iterator[None]:
        until_ns = self._clock.mono_ns() + round(bench_s * NS_PER_S)
        while self._clock.mono_ns() < until_ns:
            yield

    # --- settling ---------------------------------------------------------------------

    def _settle(self, planned: PlannedStep) -> Generator[None, None, bool]:
        """Scan until all have settled, or the step's time is up; return whether.

        What is read meanwhile is kept and left out.
        """
        began_ns = self._clock.mono_ns()
        target_c = planned.state.get(Drive.TEMPERATURE)
        while True:
            self.doing = "waits until devices have settled"
            if planned.powered:
                for run in self._runs():
                    yield from self._turn(run, 1, aside=True)
            else:
                yield from self._rest(5.0)
            slow = [run for run in self._runs() if not self._device_settled(run)]
            slow = slow if planned.powered else []
            if not slow and self._probe_settled(target_c):
                return True
            gone_s = (self._clock.mono_ns() - began_ns) / NS_PER_S
            if gone_s > planned.step.at_most_s:
                names = ", ".join(run.plan.device for run in slow[:5]) or "the probe"
                after = format_duration(gone_s)
                self._say(f"not settled after {after}: {names}; {planned.step.late}")
                return False
            yield

    def _device_settled(self, run: LiveRun) -> bool:
        if self._missed[run.run_id] >= _MISSES:
            return True  # nobody waits for a device that gives nothing
        return device_settled(self._slope(run), self._task.rule)

    def _slope(self, run: LiveRun) -> Slope:
        seen = self._seen[run.run_id]
        if len(seen) < 3:
            return UNKNOWN
        t_s, ppm = np.array(seen).T
        window_s = self._task.rule.window_s
        # a rack that takes long for a scan needs a longer window for three values
        window_s = max(window_s, 3.2 * float(np.median(np.diff(t_s))))
        return slope_of(t_s, ppm, window_s)

    def _probe_settled(self, target_c: float | None) -> bool:
        if not self._probe or not self._task.setters_of(Drive.TEMPERATURE):
            return True  # nothing is known of temperature, and nothing sets it
        t_s, celsius = np.array(self._probe).T
        return probe_settled(t_s, celsius, target_c, self._task.rule)

    # --- measuring --------------------------------------------------------------------

    def _scan(self, planned: PlannedStep, *, settled: bool) -> Iterator[None]:
        """Measure each device in its turn, once or for the step's time."""
        step, began_ns = planned.step, self._clock.mono_ns()
        aside = not self._task.at_reference(planned)
        while True:
            for run in self._runs():
                self.doing = f"measures {run.plan.device}"
                yield from self._turn(run, step.gates, aside=aside, settled=settled)
            gone_s = (self._clock.mono_ns() - began_ns) / NS_PER_S
            if step.scan_s is None or gone_s >= step.scan_s:
                return

    def _turn(
        self, run: LiveRun, gates: int, *, aside: bool, settled: bool | None = None
    ) -> Iterator[None]:
        """Give one device its turn; with `settled` it is noted as a point."""
        channelled = yield from self._close_channel(run)
        begin_utc_ns, before = self._clock.utc_ns(), run.accepted
        if channelled:
            yield from self._gates(run, gates, aside=aside)
        taken = run.accepted - before
        self._missed[run.run_id] = 0 if taken else self._missed[run.run_id] + 1
        if settled is None:
            return
        since_ns = self._power_ns
        turn = Turn(
            step=self.where.index if self.where else 0,
            begin_utc_ns=begin_utc_ns,
            end_utc_ns=self._clock.utc_ns(),
            readings=taken,
            settled=settled,
            ran=taken > 0,
            drift_ppm_per_min=_finite(self._slope(run).per_min),
            since_power_s=None
            if since_ns is None
            else (self._clock.mono_ns() - since_ns) / NS_PER_S,
        )
        name = self.where.name if self.where else ""
        text = f"{name}: {taken} readings" if taken else f"{name}: no signal"
        self._keeper.book.runs.note(
            run, EventKind.TURN, text, "", json.dumps(asdict(turn)).encode()
        )

    def _close_channel(self, run: LiveRun) -> Generator[None, None, bool]:
        """Connect a device to the counter; return whether it is certain."""
        position: PositionSpec = run.position
        if position.through is None or position.channel is None:
            return True
        name = position.through
        number = self._keeper.setters[name].set(position.channel)
        report = yield from self._answer(name, number, refusable=True)
        if report.kind == "refused":
            said = f"not measured: {report.text}"
            self._keeper.book.runs.note(run, EventKind.SETTER, said, name)
            return False
        if self._task.turn_settle_s:
            yield from self._rest(self._task.turn_settle_s)
        return True

    def _gates(self, run: LiveRun, gates: int, *, aside: bool) -> Iterator[None]:
        """Let the counter take so many gates of the device whose turn it is."""
        counter = run.position.frequency
        run.begin_turn(aside=aside)
        self.turn, self._dark = run, False
        self._keeper.book.intake.turns[counter] = run.run_id
        before = run.accepted
        gate = run.spec.options.get("gate_s")
        gate_s = float(gate) if isinstance(gate, int | float) else 1.0
        limit = host_deadline(3 * self._clock.real_s(gates * gate_s) + _MARGIN_S)
        self._keeper.pool.allow(counter, gates)
        while run.accepted - before < gates and not self._dark and not limit.passed:
            yield
        if run.accepted - before < gates:
            self._keeper.pool.order(counter, Order.HOLD)
            if limit.passed:
                text = f"{run.accepted - before} of {gates} readings came in time"
                self._keeper.book.runs.note(run, EventKind.GAP, text, counter)
        self.turn = None
        self._keeper.book.intake.turns[counter] = 0
        if run.previous_hz is not None and run.accepted > before:
            nominal = run.plan.part.nominal_hz / run.position.divider
            at_s = self._clock.mono_ns() / NS_PER_S
            self._seen[run.run_id].append((at_s, offset_ppm(run.previous_hz, nominal)))

    # --- watching ---------------------------------------------------------------------

    def _watch(self) -> None:
        """See that setters are there, obey and tell the truth. Raises SafeStopError."""
        for name, why in self._released.items():
            raise SafeStopError(f"setter {name!r} was let go of: {why}")
        for name, limit in self._silent.items():
            if limit.passed:
                raise SafeStopError(f"setter {name!r} has been silent for a minute")
        self._note_probe()
        for name in self._task.setters_of(Drive.TEMPERATURE):
            self._compare_probes(name)

    def _note_probe(self) -> None:
        """Remember what the bench's own probe has shown last."""
        for run in self._runs()[:1]:
            ambient = run.ambient
            if ambient is None:
                continue
            at_s = ambient.mono_ns / NS_PER_S
            if not self._probe or at_s > self._probe[-1][0]:
                self._probe.append((at_s, ambient.value_c))

    def _compare_probes(self, name: str) -> None:
        """Hold the chamber's probe against the bench's, once both stand still."""
        latest = self._keeper.setters[name].latest
        if latest is None or latest.value is None or not self._probe:
            return
        t_s, celsius = np.array(self._probe).T
        if not probe_settled(t_s, celsius, None, self._task.rule):
            return
        apart_c = latest.value - celsius[-1]
        if abs(apart_c) > _LIES_C:
            raise SafeStopError(
                f"chamber {name!r} tells {as_stated(latest.value, 4)} C where the "
                f"bench's probe has {as_stated(float(celsius[-1]), 4)} C"
            )

    # --- rows -------------------------------------------------------------------------

    def _log_order(self, name: str, quantity: str, value: float, unit: str) -> None:
        now = self._clock.utc_ns(), self._clock.mono_ns()
        self._log(name, quantity, value, unit, now)

    def _log_state(self, name: str, report: SetterReport) -> None:
        """Keep what a setter measures, once a minute."""
        spec = self._task.bench.instruments[name]
        if report.value is None or spec.quantity == "channel":
            return
        last_ns = self._logged_ns.get(name, -(10**18))
        if report.mono_ns - last_ns < _LOG_EVERY_S * NS_PER_S:
            return
        self._logged_ns[name] = report.mono_ns
        unit = {"temperature": "C", "voltage": "V"}.get(spec.quantity, "")
        stamps = report.utc_ns, report.mono_ns
        self._log(name, f"{name} measured", report.value, unit, stamps)

    def _log(
        self, name: str, quantity: str, value: float, unit: str, at: tuple[int, int]
    ) -> None:
        flags = Flag.SIMULATED if self._is_simulated(name) else Flag.NONE
        for run in self._keeper.book.runs.all():
            row = Condition(at[0], at[1], quantity, value, unit, name, flags)
            self._keeper.book.runs.queue.add((run.run_id, run.segment_id, row))

    def _is_simulated(self, name: str) -> bool:
        opened = self.opened.get(name)
        spec = self._task.bench.instruments[name]
        return spec.simulated or (opened is not None and opened.simulated)

    def _runs(self) -> list[LiveRun]:
        return self._keeper.book.runs.all()

    def _say(self, text: str, what: str = "") -> None:
        """Write into every run where the sequence is."""
        index = self.where.index if self.where else 0
        raw = json.dumps({"step": index, "what": what}).encode() if what else b""
        for run in self._runs():
            self._keeper.book.runs.note(run, EventKind.SEQUENCE, text, "", raw)

    def _end(self, how: str) -> None:
        for run_id in list(self._keeper.book.runs.by_id):
            self._keeper.end_one(run_id, how)


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None
