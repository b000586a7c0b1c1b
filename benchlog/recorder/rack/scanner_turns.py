"""One scanner serves the runs behind it in turns, each reading confirmed.

A channel is closed alone, the device settles, the counter takes so many gates, and the
scanner is asked after each reading whether the channel still is the one: only then is
the reading kept. Where one device alone is there it has the counter for itself. Whoever
waits for its turn has no gap; a turn that gave nothing is one.

It is written as one generator: it yields whenever there is something to wait for.
"""

from collections.abc import Generator, Iterator
from typing import Final

from benchlog.clock import Deadline, host_deadline
from benchlog.model import EventKind, Flag, InstrumentSpec
from benchlog.recorder.instruments.instrument_messages import Failed, Got, Order
from benchlog.recorder.rack import turn_sites
from benchlog.recorder.rack.confirmed_values import ConfirmedValues
from benchlog.recorder.rack.first_values import FirstValues
from benchlog.recorder.rack.known_setters import words_of
from benchlog.recorder.rack.setter_handle import SetterHandle, SetterReport
from benchlog.recorder.rack.setter_job import job_for
from benchlog.recorder.rack.turn_sites import HandOver, TurnOwner, TurnSite
from benchlog.recorder.run.conditions import SetOrder
from benchlog.recorder.run.live_run import LiveRun
from benchlog.units import printable

_ANSWER_S: Final = 20.0  # real seconds that an order may take; our rule
_MARGIN_S: Final = 10.0  # real seconds beyond its gates that a turn may take; our rule
_AGAIN_S: Final = 1.0  # real s before a scanner that fails is asked again; our rule


class ScannerTurns:
    """The turns of all positions behind one scanner, and its setter's process."""

    def __init__(self, owner: TurnOwner, spec: InstrumentSpec) -> None:
        self._owner, self.spec = owner, spec
        job = job_for(spec, turn_sites.bounds_of(spec))
        self.handle = SetterHandle(job, owner.surroundings.locks)
        self._clock = owner.surroundings.clock
        self._answers: dict[int, SetterReport] = {}
        self.complaint, self.opened, self._simulated = "", False, False
        self._said: dict[int, str] = {}
        self._who, self._who_told = "", set[int]()
        self._without_signal: set[int] = set()
        self._site: TurnSite | None = None
        self._values, self._firsts = self._no_values(), FirstValues()
        self._dark = False
        self._closed: int | None = None  # the channel that was closed last, and holds
        self._served = 0  # the run that had the last turn
        self._until: Deadline | None = None
        self.hand_over = HandOver()
        self._script = self._forever()

    # --- what the keeper's loop hands over --------------------------------------------

    def step(self) -> None:
        """Go on until there is something to wait for."""
        next(self._script)

    def left_s(self) -> float:
        """Real seconds until there is something to do without anything heard."""
        return 60.0 if self._until is None else self._until.left_s()

    def heard(self, report: SetterReport) -> None:
        """Take a report of the scanner's process."""
        if report.kind == "opened":
            self.opened, self._simulated = True, report.simulated
            self._who = report.text
        if report.kind in ("done", "refused"):
            self._answers[report.number] = report
        if report.kind in ("fault", "ended", "released"):
            self._closed = None
            if report.text != self.complaint:
                self.complaint = report.text
                self._say_all(f"scanner {self.spec.name!r}: {report.text}")

    def value(self, name: str, got: Got) -> None:
        """Take a value of the counter; it is kept once the channel is confirmed."""
        if self._site is not None and self._site.position.frequency == name:
            self._values.add(got)
            return
        runs = self._runs()
        if runs:
            text = f"a value of {name!r} came between two turns: it is no device's"
            self._note(runs[0], EventKind.REJECTED, text, got.sample.raw)

    def dark(self, failed: Failed) -> None:
        """Take it that the counter sees no signal."""
        if self._site is not None:
            self._values.add(failed)

    # --- the order of turns -----------------------------------------------------------

    def _forever(self) -> Iterator[None]:
        while True:
            sites = self._owner.turn_sites(self.spec.name)
            for site in sites:
                if not self._wants(site):
                    continue
                if len(self._owner.turn_sites(self.spec.name)) == 1:
                    yield from self._alone(site)
                else:
                    yield from self._turn(site)
            self._until = None
            yield

    def _wants(self, site: TurnSite) -> bool:
        return any(
            one.position.name == site.position.name and one.run is site.run
            for one in self._owner.turn_sites(self.spec.name)
        )

    def _turn(self, site: TurnSite) -> Iterator[None]:
        gates = self.spec.turn_gates if site.run is not None else 1
        self._closed = None  # each turn breaks and makes anew
        if not (yield from self._connect(site)):
            self._missed(site)
            return
        if site.run is not None:
            site.run.begin_turn(aside=False)
        taken = yield from self._gates(site, gates)
        if taken < gates and site.run is not None and self._wants(site):
            self._missed(site, taken=taken)
        self._excuse_others(site, taken)

    def _alone(self, site: TurnSite) -> Iterator[None]:
        """Let one device have the counter until there is another one."""
        run, channel = site.run, site.position.channel
        others = run is not None and self._served not in (0, run.run_id)
        held = self._closed == channel
        if not held and not (yield from self._connect(site)):
            self._missed(site)
            return
        if run is not None and others:
            run.begin_turn(aside=False)
        elif run is not None and not held:
            run.begin_alone()
        gates = 1 if run is None else self._owner.gates_alone(run)
        yield from self._gates(site, gates)
        if run is not None:
            while self._wants(site) and run.fed < run.accepted:
                yield  # what has come is judged first

    # --- one turn ---------------------------------------------------------------------

    def _connect(self, site: TurnSite) -> Generator[None, None, bool]:
        """Close the channel alone and let the device settle; return whether it is."""
        channel = site.position.channel
        assert channel is not None
        if not self.handle.running or not self.handle.opened:
            yield from self._rest(_AGAIN_S)
            return False
        order = SetOrder(
            quantity="channel",
            value=float(channel),
            unit="",
            instrument=self.spec.name,
            utc_ns=self._clock.utc_ns(),
            mono_ns=self._clock.mono_ns(),
            flags=Flag.SIMULATED if self._simulated else Flag.NONE,
        )
        report = yield from self._answer(self.handle.set(channel))
        self._log_order(site, order, None if report is None else report.read_back)
        if report is None or report.kind == "refused" or report.read_back != channel:
            said = report.text if report is not None else "it does not answer"
            if report is not None and not said:
                said = f"it was told to close {channel} and has {report.read_back}"
            self._tell(site, f"not measured: {said}")
            if report is None or len(self._owner.turn_sites(self.spec.name)) == 1:
                yield from self._rest(_AGAIN_S)
            return False
        if site.run is not None and self._said.pop(site.run.run_id, ""):
            text = f"channel {channel} is closed alone again"
            self._note(site.run, EventKind.SETTER, text)
        if site.run is not None and site.run.run_id not in self._who_told:
            self._who_told.add(site.run.run_id)
            text, raw = words_of(self.spec.name, self._who)
            self._note(site.run, EventKind.SETTER, text, raw)
        if self.complaint:
            self._say_all(f"scanner {self.spec.name!r} obeys again")
        self.complaint = ""
        self._closed = channel
        yield from self._rest(self._clock.real_s(self.spec.turn_settle_s))
        return True

    def _log_order(
        self, site: TurnSite, order: SetOrder, read_back: float | None
    ) -> None:
        """Keep what the scanner was told, and told back, in the run that it is for."""
        run = site.run
        if run is not None and run.run_id in self._owner.book.runs.by_id:
            for row in order.rows(read_back, self._clock):
                self._owner.book.runs.queue.add((run.run_id, run.segment_id, row))

    def _gates(self, site: TurnSite, gates: int | None) -> Generator[None, None, int]:
        """Let the counter take gates, None: until another one comes; return how many.

        Each value is kept once the scanner has told, after it, that the channel is the
        only one closed.
        """
        counter, run = site.position.frequency, site.run
        pool, before = self._owner.pool, run.accepted if run else 0
        self._begin(site, gates)
        limit = self._limit_of(site, gates)
        if gates is None:
            pool.order(counter, Order.GO)
        else:
            pool.allow(counter, gates)
        seen = 0
        while self._closed is not None and self._wants(site):
            seen += self._keep_confirmed(site)
            self._until = limit
            taken = run.accepted - before if run is not None else seen
            idle = pool.by_name[counter].allowed == 0
            self.hand_over.note(waits=idle and self._values.busy)
            if not self._values.busy:
                if self._dark or (gates is not None and taken >= gates):
                    break
                if gates is None and len(self._owner.turn_sites(self.spec.name)) > 1:
                    break
                if limit is not None and limit.passed:
                    break
                if gates is not None and idle:
                    pool.allow(counter, gates - taken)  # some were refused
            yield
        self._end(site, counter)
        return run.accepted - before if run is not None else seen

    def _begin(self, site: TurnSite, gates: int | None) -> None:
        self._site, self._dark = site, False
        self._values = ConfirmedValues(
            site.position.channel,
            self.handle.check,
            lambda number: self._answers.pop(number, None),
            host_deadline(self._gate_real_s(site)),
            firsts=None if site.run is None else self._firsts,
            gates=gates,
        )
        if site.run is not None:
            turns = self._owner.book.intake.turns
            turns[site.position.frequency] = site.run.run_id
            self._served = site.run.run_id

    def _end(self, site: TurnSite, counter: str) -> None:
        if self._owner.pool.by_name[counter].allowed != 0:
            self._owner.pool.order(counter, Order.HOLD)
        for one in self._values.last():
            self._keep(site, one)
        self._refuse_unconfirmed(site)
        self._site, self._until = None, None
        self.hand_over.note(waits=False)
        self._values = self._no_values()
        self._owner.book.intake.turns[counter] = 0

    def _limit_of(self, site: TurnSite, gates: int | None) -> Deadline | None:
        if gates is None:
            return None
        return host_deadline(3 * gates * self._gate_real_s(site) + _MARGIN_S)

    def _gate_real_s(self, site: TurnSite) -> float:
        spec = self._owner.pool.by_name[site.position.frequency].spec
        return self._clock.real_s(turn_sites.gate_of(spec))

    def _keep_confirmed(self, site: TurnSite) -> int:
        """Keep the values that a check has confirmed; return how many."""
        kept = sum(self._keep(site, one) for one in self._values.confirmed())
        if self._values.broken:
            self._tell(site, f"its turn is broken off: {self._values.broken}")
            self._closed = None
        return kept

    def _keep(self, site: TurnSite, message: Got | Failed) -> bool:
        """Hand on what was confirmed; return whether it is a value."""
        run = site.run
        if isinstance(message, Got):
            if run is not None and run.run_id in self._without_signal:
                self._without_signal.discard(run.run_id)
                self._note(run, EventKind.BACK, "the device gives a signal again")
            self._owner.value_in_turn(site, message)
            return True
        self._dark = True
        if run is not None:
            run.note_gap()
            if run.run_id not in self._without_signal:
                self._note(run, message.kind, message.message, message.raw)
            self._without_signal.add(run.run_id)
        self._owner.dark_in_turn(site, message)
        return False

    def _refuse_unconfirmed(self, site: TurnSite) -> None:
        """Keep as events what came while nobody knew which device it was of."""
        run = site.run
        for text, got in self._values.refused():
            if run is not None and run.run_id in self._owner.book.runs.by_id:
                self._note(run, EventKind.REJECTED, text, got.sample.raw)
        if late := self._firsts.news():
            for one in self._runs():
                self._note(one, EventKind.OUT_OF_TURN, late)

    def _no_values(self) -> ConfirmedValues:
        return ConfirmedValues(None, self.handle.check, lambda _: None)

    # --- waiting and telling ----------------------------------------------------------

    def _answer(self, number: int) -> Generator[None, None, SetterReport | None]:
        """Wait for the report on an order; None when it does not come."""
        limit = host_deadline(_ANSWER_S)
        while number not in self._answers:
            if limit.passed or not self.handle.running:
                self.hand_over.note(waits=False)
                return None
            self._until = limit
            self.hand_over.note(waits=True)
            yield
        self.hand_over.note(waits=False)
        self._until = None
        report = self._answers.pop(number)
        self._answers.clear()  # answers to what nobody waits for any more
        return report

    def _rest(self, real_s: float) -> Iterator[None]:
        self._until = until = host_deadline(real_s)
        while not until.passed:
            yield
        self._until = None

    def _missed(self, site: TurnSite, *, taken: int = 0) -> None:
        """Note that a turn gave less than it should: that is a gap."""
        if site.run is not None:
            site.run.miss_turn(taken)

    def _excuse_others(self, site: TurnSite, taken: int) -> None:
        """Let nobody wait in vain while others are served."""
        if site.run is None or not taken:
            return
        for run in self._runs():
            run.turn_gave(own=run is site.run)

    def _tell(self, site: TurnSite, text: str) -> None:
        """Tell what keeps a device from being measured, once as long as it does."""
        if site.run is None or self._said.get(site.run.run_id) == text:
            return
        self._said[site.run.run_id] = text
        self._note(site.run, EventKind.SETTER, text)

    def _say_all(self, text: str) -> None:
        for run in self._runs():
            self._note(run, EventKind.SETTER, text)

    def _note(
        self, run: LiveRun, kind: EventKind | str, text: str, raw: bytes = b""
    ) -> None:
        runs = self._owner.book.runs
        write = runs.trouble if kind is EventKind.SETTER else runs.note
        write(run, kind, printable(text), self.spec.name, raw)

    def _runs(self) -> list[LiveRun]:
        runs = self._owner.book.runs.all()
        return [run for run in runs if run.position.through == self.spec.name]
