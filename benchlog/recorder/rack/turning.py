"""All scanners of one keeper: started, heard, stepped and let go of together."""

import contextlib
import selectors
from collections.abc import Callable, Iterable, Mapping
from typing import Final

from benchlog.clock import host_deadline
from benchlog.errors import InstrumentError
from benchlog.model import Purpose, RunPlan
from benchlog.recorder.rack.scanner_turns import ScannerTurns
from benchlog.recorder.rack.turn_sites import TurnOwner
from benchlog.recorder.run.plan_checks import position_of

OPEN_LIMIT_S: Final = 30.0
"""Real seconds in which a scanner must have answered at the start; our rule."""


class Turning:
    """The scanners that positions in use name; of most benches there are none.

    Each has a process of its own, which opens all channels when it is let go of. A rack
    that is qualified has its scanner among its setters, and turns of its own.
    """

    def __init__(
        self,
        owner: TurnOwner,
        plans: Iterable[RunPlan],
        selector: selectors.BaseSelector,
    ) -> None:
        self._selector = selector
        specs = {
            name: plan.bench.instruments[name]
            for plan in plans
            if plan.purpose is not Purpose.QUALIFY
            and (name := position_of(plan).through) is not None
        }
        self.scanners: Mapping[str, ScannerTurns] = {
            name: ScannerTurns(owner, spec) for name, spec in specs.items()
        }
        self.counters: Mapping[str, ScannerTurns] = {
            position_of(plan).frequency: self.scanners[name]
            for plan in plans
            if (name := position_of(plan).through) in self.scanners
        }

    def __bool__(self) -> bool:
        return bool(self.scanners)

    def expect(self, known: Mapping[str, str]) -> None:
        """Let only these scanners, by name, be given orders; before they start."""
        for name, one in self.scanners.items():
            one.handle.expect(known.get(name, ""))

    def start(self) -> None:
        """Start their processes; they open the scanners by themselves."""
        for name, one in self.scanners.items():
            one.handle.start()
            self._register(name)

    def wait(self, hear: Callable[[], None], *, patient: bool) -> None:
        """Let `hear` be called until each has answered.

        Raises InstrumentError that names who has not, unless somebody is `patient`, and
        BusyError where another keeper uses one.
        """
        limit = host_deadline(OPEN_LIMIT_S)
        while waiting := [n for n, one in self.scanners.items() if not one.opened]:
            hear()
            self.tend()
            for one in self.scanners.values():
                one.handle.require_right()
            name = waiting[0]
            said = self.scanners[name].complaint
            if not patient and (limit.passed or said):
                said = said or "it does not answer"
                raise InstrumentError(f"scanner {name!r}: {said}; nothing was measured")
            if patient and limit.passed:
                return  # it is waited for in its turns

    def hear(self, name: str) -> None:
        """Take what one scanner's process has said."""
        one = self.scanners[name]
        descriptor = one.handle.fileno()
        for report in one.handle.hear():
            if report.kind == "ended":
                with contextlib.suppress(KeyError, ValueError):
                    self._selector.unregister(descriptor)
            one.heard(report)

    def tend(self) -> None:
        """Tell them that we are there; start again a process that has ended."""
        for name, one in self.scanners.items():
            was_down = not one.handle.running
            for report in one.handle.tend():
                one.heard(report)
            if was_down and one.handle.running:
                self._register(name)

    def step(self) -> None:
        """Go on with all turns until there is something to wait for."""
        self.tend()
        for one in self.scanners.values():
            one.step()

    def left_s(self) -> float:
        """Real seconds until a turn has something to do without anything heard."""
        return min((one.left_s() for one in self.scanners.values()), default=60.0)

    def handing_over_s(self) -> float:
        """Real seconds in which a commit would keep a counter waiting."""
        several = (one.hand_over.left_s() for one in self.scanners.values())
        return max(several, default=0.0)

    def finish(self) -> None:
        """Let go: all channels are opened."""
        for one in self.scanners.values():
            if one.handle.running:
                with contextlib.suppress(KeyError, ValueError):
                    self._selector.unregister(one.handle.fileno())
            one.handle.finish()

    def _register(self, name: str) -> None:
        handle, read = self.scanners[name].handle, selectors.EVENT_READ
        self._selector.register(handle.fileno(), read, ("scanner", name))
