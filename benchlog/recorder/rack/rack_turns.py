"""Devices of a rack in their turns: a channel closed, gates, and whether all settled.

Every method that waits is a generator: it yields while there is something to wait for.
"""

import json
from collections import defaultdict
from collections.abc import Generator, Iterator
from dataclasses import asdict
from typing import Final

import numpy as np

from benchlog.clock import Deadline, host_deadline
from benchlog.model import Drive, EventKind, PositionSpec, Turn
from benchlog.recorder.instruments.instrument_messages import Failed, Got, Order
from benchlog.recorder.rack.confirmed_values import UNCONFIRMED, ConfirmedValues
from benchlog.recorder.rack.counter_outages import CounterOutages
from benchlog.recorder.rack.first_values import FirstValues
from benchlog.recorder.rack.rack_reports import RackOwner, RackReports, SafeStopError
from benchlog.recorder.rack.rack_task import RackTask
from benchlog.recorder.rack.setter_handle import SetterReport
from benchlog.recorder.rack.turn_sites import HandOver, gate_of
from benchlog.recorder.run.live_run import LiveRun
from benchlog.units import NS_PER_S, counted, format_duration, offset_ppm, printable
from benchlog.verdict.rack.planned_steps import PlannedStep
from benchlog.verdict.rack.settled import (
    UNKNOWN,
    DriftSlope,
    device_settled,
    probe_settled,
    slope_of,
)

_ANSWER_S: Final = 20.0  # real seconds that an order may take; our rule
_MISSES: Final = 3  # turns of one device that may fail in a row; our rule
_MARGIN_S: Final = 10.0  # real seconds beyond its gates that a turn may take; our rule


class RackTurns(RackReports):
    """Measures the devices of a rack one after the other."""

    def __init__(self, keeper: RackOwner, task: RackTask) -> None:
        super().__init__(keeper, task)
        self._seen: dict[int, list[tuple[float, float]]] = defaultdict(list)
        self._missed: dict[int, int] = defaultdict(int)
        self.turn: LiveRun | None = None
        self._dark = False
        self._values: ConfirmedValues | None = None  # None: no scanner is between
        self._firsts: dict[str, FirstValues] = defaultdict(FirstValues)
        self._until: Deadline | None = None
        self.hand_over, self.outages = HandOver(), CounterOutages()
        self.where: PlannedStep | None = None
        self.doing = "waits to begin"
        self._power_ns: int | None = None

    def left_s(self) -> float:
        """Real seconds until there is something to do without anything heard."""
        return 60.0 if self._until is None else self._until.left_s()

    def heard_counter(self, name: str, message: Got | Failed) -> None:
        """Take a value of a counter, or that it has none: of whose turn it is.

        Behind a scanner it is kept once the scanner has confirmed the channel.
        """
        if self.turn is None or self.turn.position.frequency != name:
            if isinstance(message, Got):
                self._stray(name, message)
        elif self._values is None:
            self._keep(self.turn, message)
        else:
            self._values.add(message)

    def _keep(self, run: LiveRun, message: Got | Failed) -> None:
        book = self._keeper.book
        if isinstance(message, Got):
            name = run.position.frequency
            book.intake.value(name, message.sample, message.stalled_s)
            return
        self._dark = True
        book.runs.trouble(run, message.kind, message.message, "", message.raw)

    def _stray(self, name: str, got: Got) -> None:
        """Keep, as an event, a value that came when it was nobody's turn."""
        for run in self._keeper.book.runs.all()[:1]:
            text = f"a value of {name!r} came between two turns: it is no device's"
            runs = self._keeper.book.runs
            runs.note(run, EventKind.REJECTED, text, name, got.sample.raw)

    def _answer(
        self, name: str, number: int, *, refusable: bool = False
    ) -> Generator[None, None, SetterReport]:
        """Wait for the report on an order; return it.

        Raises SafeStopError when it is refused or does not come.
        """
        limit = host_deadline(_ANSWER_S)
        while (name, number) not in self._answers:
            self.hand_over.note(waits=True)
            if limit.passed:
                raise SafeStopError(f"setter {name!r} did not answer to an order")
            yield
        self.hand_over.note(waits=False)
        report = self._answers.pop((name, number))
        if report.kind == "refused" and not refusable:
            raise SafeStopError(f"setter {name!r} refuses: {report.text}")
        return report

    def _rest(self, bench_s: float) -> Iterator[None]:
        yield from self._rest_until(self._clock.mono_ns() + round(bench_s * NS_PER_S))

    def _rest_until(self, mono_ns: int) -> Iterator[None]:
        while (left_ns := mono_ns - self._clock.mono_ns()) > 0:
            self._until = host_deadline(self._clock.real_s(left_ns / NS_PER_S))
            yield
        self._until = None

    def _say(self, text: str, what: str = "") -> None:
        """Write into every run where the sequence is."""
        index = self.where.index if self.where else 0
        raw = json.dumps({"step": index, "what": what}).encode() if what else b""
        for run in self._runs():
            self._keeper.book.runs.note(run, EventKind.SEQUENCE, text, "", raw)

    # --- settling ---------------------------------------------------------------------

    def _settle(self, planned: PlannedStep) -> Generator[None, None, bool]:
        """Scan until all have settled, or the step's time is up; return whether.

        A device's window begins when the air stands still: before that its slope is the
        chamber's. What is read meanwhile is kept and left out.
        """
        began_ns = self._clock.mono_ns()
        target_c = planned.state.get(Drive.TEMPERATURE)
        while True:
            if not self._probe_settled(target_c):
                self.doing = "waits until the air has settled"
                self._seen.clear()  # a slope is the device's own from here on
                yield from self._rest(5.0)
            elif planned.powered:
                self.doing = "waits until devices have settled"
                for run in self._runs():
                    yield from self._turn(run, 1, aside=True)
            slow = [run for run in self._runs() if not self._device_settled(run)]
            slow = slow if planned.powered else []
            if not slow and self._probe_settled(target_c):
                return True
            gone_s = self._gone_s(began_ns)
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

    def _slope(self, run: LiveRun) -> DriftSlope:
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
        t_s, celsius = self._probe_lately()
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
            gone_s = self._gone_s(began_ns)
            if step.scan_s is None or gone_s >= step.scan_s:
                return

    def _turn(
        self, run: LiveRun, gates: int, *, aside: bool, settled: bool | None = None
    ) -> Iterator[None]:
        """Give one device its turn; with `settled` it is noted as a point."""
        certain = yield from self._close_channel(run)
        began, before = self._now(), run.accepted
        drift = self._slope(run)  # of scans that follow each other evenly
        if certain:
            certain = yield from self._gates(run, gates, aside=aside)
        taken = run.accepted - before
        self._missed[run.run_id] = 0 if taken else self._missed[run.run_id] + 1
        if not certain and not taken:
            return  # of the device nothing is known, not even that it is silent
        if settled is None:
            return
        since_ns = self._power_ns
        self._note_turn(
            run,
            readings=taken,
            began=began,
            settled=settled,
            drift_ppm_per_min=_finite(drift.per_min),
            since_power_s=None if since_ns is None else self._gone_s(since_ns),
        )

    def _gone_s(self, since_ns: int) -> float:
        """Return the bench seconds since a moment of the monotonic clock."""
        return (self._clock.mono_ns() - since_ns) / NS_PER_S

    def _now(self) -> tuple[int, int]:
        return self._clock.utc_ns(), self._clock.mono_ns()

    def _note_turn(
        self,
        run: LiveRun,
        *,
        readings: int,
        began: tuple[int, int],
        settled: bool = False,
        drift_ppm_per_min: float | None = None,
        since_power_s: float | None = None,
        started_s: tuple[float, float] | None = None,
    ) -> None:
        """Write into a run that its turn is over, and what came of it.

        `began`: when, by both clocks, as `_now` tells.
        """
        end_utc_ns, end_mono_ns = self._now()
        turn = Turn(
            step=self.where.index if self.where else 0,
            begin_utc_ns=began[0],
            end_utc_ns=end_utc_ns,
            readings=readings,
            settled=settled,
            ran=readings > 0,
            drift_ppm_per_min=drift_ppm_per_min,
            since_power_s=since_power_s,
            started_s=started_s,
            lasted_ns=end_mono_ns - began[1],
        )
        name, raw = self.where.name if self.where else "", json.dumps(asdict(turn))
        text = f"{name}: {counted(readings, 'reading') if readings else 'no signal'}"
        self._keeper.book.runs.note(run, EventKind.TURN, text, "", raw.encode())

    def _close_channel(self, run: LiveRun) -> Generator[None, None, bool]:
        """Connect a device to the counter; return whether it is certain."""
        position: PositionSpec = run.position
        if position.through is None or position.channel is None:
            return True
        name = position.through
        order = self._order_of(name, "channel", float(position.channel), "")
        number = self._keeper.setters[name].set(position.channel)
        report = yield from self._answer(name, number, refusable=True)
        self._log_order(order, report.read_back, [run])
        if report.kind == "refused" or report.read_back != position.channel:
            said = report.text or (
                f"it was told to close {position.channel} and has {report.read_back}"
            )
            self._note_scanner(run, f"not measured: {said}")
            return False
        yield from self._rest(self._task.turn_settle_s(name))
        return True

    def _gates(
        self, run: LiveRun, gates: int, *, aside: bool
    ) -> Generator[None, None, bool]:
        """Let the counter take so many gates of the device whose turn it is.

        Returns whether what came, or did not, is surely of the device.
        """
        counter = run.position.frequency
        self.outages.begin_turn()
        run.begin_turn(aside=aside)
        values = self._values = self._values_of(run, gates)
        self.turn, self._dark = run, False
        self._keeper.book.intake.turns[counter] = run.run_id
        before = run.accepted
        gates_s = self._clock.real_s(gates * gate_of(run.spec))
        limit = host_deadline(3 * gates_s + _MARGIN_S)
        self._keeper.pool.allow(counter, gates)
        while run.accepted - before < gates and not self._dark and not limit.passed:
            self._until = limit
            busy = values is not None and values.busy
            self.hand_over.note(waits=busy and self._is_idle(counter))
            yield
            for one in values.confirmed() if values is not None else ():
                self._keep(run, one)
            if values is not None and values.broken:
                break
            if values is not None and values.wants_another and self._is_idle(counter):
                self._keeper.pool.allow(counter, 1)
        self._until = None
        for one in values.last() if values is not None else ():
            self._keep(run, one)
        self.hand_over.note(waits=False)
        taken = run.accepted - before
        if taken < gates:
            self._keeper.pool.order(counter, Order.HOLD)
        certain = values is None or self._confirmed_to_the_end(run, values)
        if certain and limit.passed and taken < gates:
            text = f"{taken} of {gates} readings came in time"
            self._keeper.book.runs.note(run, EventKind.GAP, text, counter)
        if not taken and not self._dark and self.outages.has(counter):
            certain = False
        self.turn, self._values = None, None
        self._keeper.book.intake.turns[counter] = 0
        if run.previous_hz is not None and run.accepted > before:
            nominal = run.plan.part.nominal_hz / run.position.divider
            at_s = self._clock.mono_ns() / NS_PER_S
            self._seen[run.run_id].append((at_s, offset_ppm(run.previous_hz, nominal)))
        return certain

    def _is_idle(self, counter: str) -> bool:
        return self._keeper.pool.by_name[counter].allowed == 0

    def _values_of(self, run: LiveRun, gates: int) -> ConfirmedValues | None:
        """Return what confirms the values of a run; None without a scanner."""
        position, name = run.position, run.position.through
        if name is None or position.channel is None:
            return None
        return ConfirmedValues(
            position.channel,
            self._keeper.setters[name].check,
            lambda number: self._answers.pop((name, number), None),
            host_deadline(self._clock.real_s(gate_of(run.spec))),
            firsts=self._firsts[position.frequency],
            gates=gates,
        )

    def _confirmed_to_the_end(self, run: LiveRun, values: ConfirmedValues) -> bool:
        """Keep as events what nobody has confirmed; tell why, where it is known."""
        if values.broken:
            self._note_scanner(run, f"its turn is broken off: {values.broken}")
        refused, name = values.refused(), run.position.frequency
        runs = self._keeper.book.runs
        for text, got in refused:
            runs.note(run, EventKind.REJECTED, text, name, got.sample.raw)
        if late := self._firsts[name].news():
            for one in self._runs():
                runs.note(one, EventKind.OUT_OF_TURN, late, name)
        left = any(text == UNCONFIRMED for text, _ in refused)
        return not (values.broken or left)

    def _note_scanner(self, run: LiveRun, text: str) -> None:
        name = run.position.through or ""
        self._keeper.book.runs.trouble(run, EventKind.SETTER, printable(text), name)


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None
