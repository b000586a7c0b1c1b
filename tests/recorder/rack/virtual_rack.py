"""A rack on a virtual clock: the script and its setters as they are, sockets left out.

`RackScript` decides, `SetterChild` checks and carries out each order, in this process;
a week of bench time takes seconds. Orders and reports go through the lines of JSON that
they go through otherwise. What a driver does is given by the test.
"""

import json
from types import SimpleNamespace

from benchlog.driver import Setter
from benchlog.errors import BenchlogError, InstrumentError
from benchlog.model import Event, EventKind, Identity, Sample, Turn
from benchlog.recorder.instruments.instrument_messages import words_of
from benchlog.recorder.rack.rack_script import RackScript
from benchlog.recorder.rack.setter_handle import _report
from benchlog.recorder.rack.setter_job import SetterJob
from benchlog.recorder.rack.setter_process import SetterChild
from benchlog.units import NS_PER_S

PATIENT_S = 3600.0
NOTHING = object()
"""What `count` returns where the counter says nothing at all."""


class DirectHandle:
    """A setter of which every order is carried out at once, in this process."""

    def __init__(self, job: SetterJob, driver: Setter, clock) -> None:
        self.job, self.name, self.driver = job, job.spec.name, driver
        self.running, self.opened, self.latest = True, False, None
        self.switches = False
        self._number, self._reports = 0, []
        self.child = SetterChild(job, clock)
        # private: the loop around these needs a process
        self.child._say = self._said
        self.child._setter = driver
        self.child._connected = lambda: driver
        self.child._close = lambda: None
        # private: what the loop of the process calls, without the process
        self._guarded(self.child._open)
        self.look()

    def set(self, value):
        return self._order({"do": "set", "value": value})

    def switch(self, on):
        return self._order({"do": "switch", "on": on})

    def release(self):
        return self._order({"do": "release"})

    def check(self):
        return self._order({"do": "check"})

    def look(self):
        """Measure and read back, as the process does now and then."""
        # private: what the loop of the process calls, without the process
        self._guarded(lambda: self.child._look(self.driver))

    def let_go(self, why):
        """Let go as the process does by itself, at the keeper's silence."""
        # private: as above
        self._guarded(lambda: self.child._let_go(why))

    def tend(self):
        found, self._reports = self._reports, []
        return found

    def _order(self, order):
        self._number += 1
        line = json.dumps({**order, "number": self._number})
        # private: what the loop of the process calls, without the process
        self._guarded(lambda: self.child._obey(self.driver, json.loads(line)))
        return self._number

    def _guarded(self, deed):
        """As the loop of the process does: a fault is told, then it is opened anew."""
        try:
            deed()
        except (InstrumentError, BenchlogError) as error:
            self._said(kind="fault", text=words_of(error))

    def _said(self, **told):
        report = _report(json.dumps(told, allow_nan=False).encode())
        if report.kind == "opened":
            self.opened, self.switches = True, report.switches
        if report.kind == "state":
            self.latest = report
        self._reports.append(report)


class PlainSetter(Setter):
    """A setter of a test: it keeps what it was told, and how often it was let go of.

    `told` has every value that reached it; nothing may be in it that is out of bounds.
    """

    quantity, unit = "setting", "1"

    def __init__(self, options, clock, quantity="setting", unit="1"):
        super().__init__("", options, clock)
        self.quantity, self.unit = quantity, unit
        self.told, self.releases, self.on = [], 0, True

    def open(self):
        pass

    def close(self):
        pass

    def identify(self):
        return Identity("a setter of a test", simulated=True)

    @property
    def read_limit_s(self):
        return 0.0

    def set(self, value):
        self.told.append(value)
        self.carry_out(value)

    def carry_out(self, value):
        """What a value does; for a test."""

    def read_back(self):
        return self.told[-1] if self.told else 0.0

    def measured(self):
        return self.read_back()

    def read(self):
        now = self.clock.mono_ns(), self.clock.utc_ns()
        return Sample(self.measured(), self.unit, *now, raw=b"")

    def switch(self, on):
        self.on = on

    def release(self):
        self.releases += 1


class VirtualRun:
    """What a script needs of a run; its readings are kept in lists."""

    def __init__(self, run_id, plan, position):
        self.run_id, self.segment_id = run_id, run_id
        self.plan, self.position = plan, position
        self.spec = plan.bench.instruments[position.frequency]
        self.accepted, self.previous_hz, self.ambient = 0, None, None
        self.previous_mono_ns = None
        self.at_ns, self.hz, self.ambient_c, self.events = [], [], [], []

    def begin_turn(self, *, aside):
        self.aside = aside

    def take(self, at_ns, hz):
        self.accepted += 1
        self.previous_hz = hz
        self.at_ns.append(at_ns)
        self.hz.append(hz)
        self.ambient_c.append(
            float("nan") if self.ambient is None else self.ambient.value_c
        )

    def turns(self):
        """Return the turns that were noted as points."""
        return [
            Turn(**json.loads(one.raw)) for one in self.events if one.kind == "turn"
        ]


class VirtualRack:
    """Takes the runs of a task through its steps.

    `count(run)` makes one gate of the device whose turn it is and returns Hz, None
    where there is no signal, or NOTHING, without a word; `probe()` is what the bench's
    probe shows. `tick_s` is what each round of the keeper's loop takes, in bench
    seconds.
    """

    def __init__(self, task, drivers, clock, *, count, probe=None, tick_s=2.5):
        self.task, self.clock, self._count, self._probe = task, clock, count, probe
        self.tick_s, self._looked_ns = tick_s, clock.mono_ns()
        self.surroundings = SimpleNamespace(clock=clock)
        self.runs = [
            VirtualRun(k + 1, plan, position)
            for k, (plan, position) in enumerate(
                zip(task.plans, task.positions(), strict=True)
            )
        ]
        self.notes, self.conditions = [], []
        open_ = {run.run_id: run for run in self.runs}
        runs = SimpleNamespace(
            all=lambda: list(open_.values()),
            by_id=open_,
            note=self.note,
            trouble=self.note,
            queue=SimpleNamespace(add=self.conditions.append),
        )
        self.book = SimpleNamespace(runs=runs, intake=SimpleNamespace(turns={}))
        self.pool = SimpleNamespace(allow=self._gates, order=lambda *_: None)
        self.setters = {
            name: DirectHandle(
                SetterJob(
                    spec=task.bench.instruments[name],
                    bounds=task.bounds[name],
                    dead_man_s=PATIENT_S,
                ),
                drivers[name],
                clock,
            )
            for name in task.setters()
        }
        self.how = ""
        self.script = RackScript(self, task)

    def note(self, run, kind, text, name="", raw=b""):
        now = self.clock.utc_ns(), self.clock.mono_ns()
        run.events.append(Event(*now, kind, text, name, raw))

    def note_all(self, text, name=""):
        self.notes.append(text)
        for run in self.runs:
            self.note(run, EventKind.SETTER, text, name)

    def trouble_all(self, text, name):
        self.note_all(text, name)

    def end_one(self, run_id, how):
        self.how = how
        del self.book.runs.by_id[run_id]

    def go(self, rounds=10**9, meanwhile=None):
        """Go on for so many rounds or to the end; return whether it has ended."""
        for _ in range(rounds):
            if not self.book.runs.by_id:
                return True
            self._measure_all()
            for name, handle in self.setters.items():
                for report in handle.tend():
                    self.script.heard(name, report)
            if meanwhile is not None:
                meanwhile(self)
            self.script.step()
            self.clock.sleep(self.tick_s)
        return not self.book.runs.by_id

    def _measure_all(self):
        if self.clock.mono_ns() - self._looked_ns < 5 * NS_PER_S:
            return
        self._looked_ns = self.clock.mono_ns()
        for handle in self.setters.values():
            handle.look()
        if self._probe is not None:
            shown = SimpleNamespace(mono_ns=self._looked_ns, value_c=self._probe())
            for run in self.runs:
                run.ambient = shown

    def _gates(self, counter, gates):
        run_id = self.book.intake.turns[counter]
        run = next(one for one in self.runs if one.run_id == run_id)
        for _ in range(gates):
            hz = self._count(run)
            if hz is NOTHING:
                return
            if hz is None:
                self.script._dark = True  # private: as the keeper tells it
                return
            run.take(self.clock.utc_ns(), hz)
            run.previous_mono_ns = self.clock.mono_ns()
