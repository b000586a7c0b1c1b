"""What setters report, watched and kept: rows in every run, and what must not be."""

from collections import deque
from collections.abc import Iterable, Mapping
from itertools import takewhile
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from benchlog.clock import Deadline, host_deadline
from benchlog.errors import BenchlogError
from benchlog.model import Condition, Drive, Flag
from benchlog.recorder.hearing_loop import Surroundings
from benchlog.recorder.instruments.instrument_pool import InstrumentPool
from benchlog.recorder.rack.rack_task import RackTask
from benchlog.recorder.rack.setter_handle import SetterHandle, SetterReport
from benchlog.recorder.run.bookkeeper import Bookkeeper
from benchlog.recorder.run.conditions import SetOrder
from benchlog.recorder.run.live_run import LiveRun
from benchlog.units import NS_PER_S, as_stated
from benchlog.verdict.rack.settled import probe_settled

_LOST_S: Final = 60.0  # real seconds without a word of a setter: it is lost; our rule
_OBEYS: Final = 1e-3, 0.051
"""Of a setter's range, and at least, in its unit: so far what is read back may differ
from what was ordered; our rule: a chamber counts in tenths."""
_FEEDS: Final = 0.02, 0.05
"""Of what was ordered, and at least, in V: so far what a supply that is on measures may
be from it; our rule: several times the error of a supply's own meter, and less than the
steps of a sequence."""
_LOOKS: Final = 3  # in a row until that counts: an output takes its time; our rule
_LIES_C: Final = 8.0
"""Chamber and the bench's probe may differ so far once all has settled; our rule."""
_LOG_EVERY_S: Final = 60.0  # bench seconds between rows; our rule
_UNIT_OF: Final = {"temperature": "C", "voltage": "V", "load": "pF"}
_KEPT: Final = 4000  # values of the probe that are remembered; our rule


class SafeStopError(BenchlogError):
    """The sequence must not go on; everything is let go of."""


class RackOwner(Protocol):
    """What the script of a rack needs of its keeper."""

    surroundings: Surroundings
    book: Bookkeeper
    pool: InstrumentPool

    @property
    def setters(self) -> Mapping[str, SetterHandle]:
        """The setters by name."""
        ...

    def note_all(self, text: str, name: str = "") -> None:
        """Write into every run what a setter did or failed to do."""
        ...

    def trouble_all(self, text: str, name: str) -> None:
        """Write trouble of a setter into every run; what comes again is counted."""
        ...

    def end_one(self, run_id: int, how: str) -> None:
        """End one run."""
        ...


class RackReports:
    """The reports of all setters of a rack, and what follows from them."""

    def __init__(self, keeper: RackOwner, task: RackTask) -> None:
        self._keeper, self._task = keeper, task
        self._clock = keeper.surroundings.clock
        self._answers: dict[tuple[str, int], SetterReport] = {}
        self._reports: deque[tuple[str, SetterReport]] = deque(maxlen=1000)
        self.opened: dict[str, SetterReport] = {}
        self._silent: dict[str, Deadline] = {}
        self._logged_ns: dict[str, int] = {}
        self._released: dict[str, str] = {}
        self._ordered: dict[str, float | None] = {}
        self._troubled: dict[str, tuple[Deadline, str]] = {}
        self._on: set[str] = set()
        self._apart: dict[str, int] = {}
        self._held: set[str] = set()  # supplies that were seen to be as ordered
        self._wrong = ""
        self._probe: deque[tuple[float, float]] = deque(maxlen=_KEPT)

    def heard(self, name: str, report: SetterReport) -> None:
        """Take a report of a setter."""
        self._reports.append((name, report))
        self._silent[name] = host_deadline(_LOST_S)
        if report.kind == "opened":
            self.opened[name] = report
        elif report.kind in ("done", "refused"):
            self._answers[name, report.number] = report
        elif report.kind == "state":
            self._log_state(name, report)
            self._compare_order(name, report)
            self._compare_output(name, report)
        elif report.kind == "released" and name in self._ordered:
            self._released[name] = report.text
        elif report.kind == "ended":
            self.lost(f"setter {name!r}", report.text)
        self._note_trouble(name, report)
        # what a scanner refuses concerns the device whose turn it is, and is told there
        spec = self._task.bench.instruments[name]
        of_one = report.kind == "refused" and spec.quantity == "channel"
        if report.kind in ("fault", "ended", "released", "refused") and not of_one:
            self._keeper.trouble_all(
                f"setter {name!r}: {report.kind}: {report.text}", name
            )

    def unread(self) -> list[tuple[str, SetterReport]]:
        """Return the reports since last asked."""
        found = list(self._reports)
        self._reports.clear()
        return found

    def lost(self, who: str, how: str) -> None:
        """Take it that the process of a setter or an instrument is no more."""
        self._wrong = self._wrong or f"{who}: {how}"

    def begin_watch(self) -> None:
        """Forget what went wrong before anything was ordered."""
        self._wrong = ""

    def _note_trouble(self, name: str, report: SetterReport) -> None:
        """Remember since when a setter cannot be asked, and what it was ordered.

        A scanner is left out: a contact that does not move heats and feeds nobody.
        """
        if report.kind == "done":
            if report.ordered is not None:
                self._ordered[name] = report.ordered
                self._forget_output(name)
            self._ordered.setdefault(name, None)
        if report.kind in ("done", "state"):
            self._troubled.pop(name, None)
        channel = self._task.bench.instruments[name].quantity == "channel"
        if report.kind == "fault" and not channel:
            patience_s = self._keeper.setters[name].job.dead_man_s
            self._troubled.setdefault(name, (host_deadline(patience_s), report.text))

    def _compare_order(self, name: str, report: SetterReport) -> None:
        """See that a setter is still set to what it was ordered."""
        ordered = self._ordered.get(name)
        if ordered is None or report.read_back is None or report.released:
            return
        spec = self._task.bench.instruments[name]
        if spec.quantity != "channel" and not self.obeys(
            name, ordered, report.read_back
        ):
            self._wrong = self._wrong or (
                f"setter {name!r} was set to {as_stated(ordered)} and has "
                f"{as_stated(report.read_back)} by now: it was switched off meanwhile, "
                "or somebody else sets it"
            )

    def note_switched(self, name: str, *, on: bool) -> None:
        """Remember whether a setter's output is on."""
        self._forget_output(name)
        (self._on.add if on else self._on.discard)(name)

    def _forget_output(self, name: str) -> None:
        """Give an output its time: it was ordered anew."""
        self._apart.pop(name, None)
        self._held.discard(name)

    def _compare_output(self, name: str, report: SetterReport) -> None:
        """See that what a supply measures is what it is set to, once it is on.

        In its current limit, or with a lead off, it reads back what it was told. A look
        or two that are off are told, but not of an output that is on its way.
        """
        spec, volts = self._task.bench.instruments[name], self._ordered.get(name)
        fed = name in self._on and not report.released
        if spec.quantity != "voltage" or not fed or None in (volts, report.value):
            return
        assert volts is not None
        assert report.value is not None
        share, least = _FEEDS
        if abs(report.value - volts) <= max(share * abs(volts), least):
            self._apart.pop(name, None)
            self._held.add(name)
            return
        self._apart[name] = looks = self._apart.get(name, 0) + 1
        said = (
            f"setter {name!r} is set to {as_stated(volts)} V and measures "
            f"{as_stated(report.value, 4)} V"
        )
        if looks >= _LOOKS:
            why = "its current limit, its output or its sense leads hold it there"
            self._wrong = self._wrong or f"{said}: {why}"
        elif name in self._held:
            self._keeper.trouble_all(f"{said} at a look", name)

    def obeys(self, name: str, ordered: float, read_back: float) -> bool:
        """Tell whether what is read back is what was ordered."""
        low, high = self._task.bounds[name]
        share, least = _OBEYS
        return abs(read_back - ordered) <= max(share * (high - low), least)

    # --- watching ---------------------------------------------------------------------

    def _watch(self) -> None:
        """See that setters are there, obey and tell the truth. Raises SafeStopError."""
        if self._wrong:
            raise SafeStopError(self._wrong)
        for name, (patience, said) in self._troubled.items():
            if patience.passed:
                raise SafeStopError(f"setter {name!r} cannot be reached: {said}")
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
        t_s, celsius = self._probe_lately()
        if not probe_settled(t_s, celsius, None, self._task.rule):
            return
        if latest.mono_ns < t_s[0] * NS_PER_S:
            return  # told before a silence: the chamber was on its way then
        apart_c = latest.value - celsius[-1]
        if abs(apart_c) > _LIES_C:
            raise SafeStopError(
                f"chamber {name!r} tells {as_stated(latest.value, 4)} C where the "
                f"bench's probe has {as_stated(float(celsius[-1]), 4)} C"
            )

    def _probe_lately(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return time and temperature within the rule's window; it is asked often."""
        since_s = self._probe[-1][0] - self._task.rule.window_s
        rows = list(takewhile(lambda row: row[0] >= since_s, reversed(self._probe)))
        t_s, celsius = np.array(rows[::-1], np.float64).T
        return t_s, celsius

    # --- rows -------------------------------------------------------------------------

    def _log_state(self, name: str, report: SetterReport) -> None:
        """Keep what a setter measures, once a minute."""
        spec = self._task.bench.instruments[name]
        if report.value is None or spec.quantity == "channel":
            return
        last_ns = self._logged_ns.get(name, -(10**18))
        if report.mono_ns - last_ns < _LOG_EVERY_S * NS_PER_S:
            return
        self._logged_ns[name] = report.mono_ns
        unit = _UNIT_OF.get(spec.quantity, "")
        stamps = report.utc_ns, report.mono_ns
        self._log(name, f"{name} measured", report.value, unit, stamps)

    def _order_of(self, name: str, quantity: str, value: float, unit: str) -> SetOrder:
        """Return an order that is given now."""
        return SetOrder(
            quantity=quantity,
            value=value,
            unit=unit,
            instrument=name,
            utc_ns=self._clock.utc_ns(),
            mono_ns=self._clock.mono_ns(),
            flags=self._flags(name),
        )

    def _flags(self, name: str) -> Flag:
        return Flag.SIMULATED if self._is_simulated(name) else Flag.NONE

    def _log_order(
        self, order: SetOrder, read_back: float | None, runs: Iterable[LiveRun]
    ) -> None:
        """Keep an order, and what was read back now, in the runs that it concerns."""
        queue = self._keeper.book.runs.queue
        for run in runs:
            for row in order.rows(read_back, self._clock):
                queue.add((run.run_id, run.segment_id, row))

    def _log(
        self, name: str, quantity: str, value: float, unit: str, at: tuple[int, int]
    ) -> None:
        flags = self._flags(name)
        for run in self._keeper.book.runs.all():
            row = Condition(at[0], at[1], quantity, value, unit, name, flags)
            self._keeper.book.runs.queue.add((run.run_id, run.segment_id, row))

    def _is_simulated(self, name: str) -> bool:
        opened = self.opened.get(name)
        spec = self._task.bench.instruments[name]
        return spec.simulated or (opened is not None and opened.simulated)

    def _runs(self) -> list[LiveRun]:
        return self._keeper.book.runs.all()
