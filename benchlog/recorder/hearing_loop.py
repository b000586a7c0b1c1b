"""What a keeper waits on and hears: instruments, people, signals; each on its own.

One boundary is round whatever is heard, so that what goes wrong in one of them ends no
run (`recorder/boundary.py`). A keeper that was itself away accuses nobody.
"""

import contextlib
import os
import selectors
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from benchlog.clock import Clock, host_deadline, host_sleep
from benchlog.control import Answer, Request, file_of
from benchlog.errors import BenchlogError
from benchlog.keepers import remove_left_beside
from benchlog.model import Purpose, RunPlan
from benchlog.recorder.bench_lock import BenchLocks
from benchlog.recorder.boundary import PASSES
from benchlog.recorder.control_server import ControlServer
from benchlog.recorder.housekeeping import Housekeeping
from benchlog.recorder.instruments.instrument_pool import Heard, InstrumentPool
from benchlog.recorder.notice import Tell
from benchlog.recorder.own_pace import OwnPace
from benchlog.recorder.run.blocks.back_pressure import BackPressure
from benchlog.recorder.run.bookkeeper import Bookkeeper
from benchlog.recorder.run.plan_checks import instruments_of, may_stream, position_of
from benchlog.recorder.signals import Signals
from benchlog.store.writer import Writer

_TICK_S: Final = 1.0  # our rule: cheap, and soon enough
# _WAIT_S, _WAIT_SOAK_S: our rule: the pause between tries to open grows to this.
_WAIT_S: Final = 5.0
_WAIT_SOAK_S: Final = 10.0
_PAUSE_S: Final = 0.02  # our rule: a loop in which something fails must not spin
ENDING: Final = (BenchlogError, *PASSES)
"""At the end of a run it is told to whoever started it what its rows cannot tell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What a keeper works in: its store, what it waits on, and whom it tells."""

    database: Path
    clock: Clock
    writer: Writer
    selector: selectors.BaseSelector
    locks: BenchLocks
    signals: Signals
    tell: Tell


class HearingLoop:
    """Hears what comes, a turn at a time; a keeper decides what is done about it."""

    def __init__(self, plans: Sequence[RunPlan], around: Surroundings) -> None:
        self.surroundings = around
        self.patient = any(plan.purpose is Purpose.SOAK for plan in plans)
        used = {name for plan in plans for name in instruments_of(plan)}
        self._probes = {position_of(plan).ambient or "" for plan in plans}
        self.pool = InstrumentPool(
            [s for n, s in plans[0].bench.instruments.items() if n in used],
            around.clock,
            around.selector,
            _WAIT_SOAK_S if self.patient else _WAIT_S,
            blocks=all(may_stream(plan) for plan in plans),
        )
        self.book = Bookkeeper(around.clock, around.writer, around.tell)
        self._pressure = BackPressure(self.book)
        self.watch = Housekeeping(
            self.book, self.pool, plans[0].bench.alarms, around.database
        )
        self.boundary = self.book.boundary
        self.server: ControlServer | None = None
        name = f"{around.database.name}.{os.getpid()}.sock"
        self._socket = around.database.with_name(name)
        self._file = file_of(around.database)
        self._tick = host_deadline(_TICK_S)
        self._pace = OwnPace()
        self._behind = False  # much may wait: the keeper was away
        self._faults = 0

    # --- what a keeper does about it --------------------------------------------------

    def answer(self, request: Request) -> Answer:
        """Do what somebody asks and say what came of it."""
        raise NotImplementedError

    def terminal_gone(self) -> None:
        """Do what is to be done when the terminal has gone that started all this."""

    def turns_left_s(self) -> float:
        """Real seconds until a turn of a device has something to do."""
        return 60.0

    def handing_over_s(self) -> float:
        """Real seconds in which nothing is committed: a counter waits for its turn."""
        return 0.0

    def ids_came(self) -> None:
        """Read device ids from another program; for the keeper of a lot."""

    def _dispatch(self, heard: Heard) -> None:
        raise NotImplementedError

    # --- a turn -----------------------------------------------------------------------

    def hear_all(self) -> None:
        """Wait for what comes, and do what is to be done about each of it."""
        if self.boundary.faults > self._faults:
            host_sleep(_PAUSE_S)
        self._faults = self.boundary.faults
        for heard in self._wait():
            name, message = heard
            using = partial(self.book.runs.using, name)
            with self.boundary.round(
                f"a message of {name!r}", of=using, beside=message
            ) as deed:
                self._dispatch(heard)
            if deed.fault is not None:  # what it said may be missing
                self.book.mark_hole(name)

    def open_door(self) -> None:
        """Open the control socket, and tidy up what dead keepers left beside it."""
        remove_left_beside(self.surroundings.database)
        self.server = ControlServer(
            self._socket,
            self._file,
            self.surroundings.selector,
            self.answer,
            self.boundary,
        )

    def _wait(self) -> Iterator[Heard]:
        self.pool.leave_unheard(self._pressure.look())
        left_s = min(
            self.pool.left_s(),
            max(self.book.left_s(), self.handing_over_s()),
            self._tick.left_s(),
            self.turns_left_s(),
        )
        ready = self.surroundings.selector.select(max(0.0, left_s))
        self._notice_absence(left_s)
        if self.watch.slept():  # before what comes now is taken in
            self._look_around()
        if self._behind:
            yield from self._heard_of_probes()
        for key, _ in ready:
            kind, what = key.data
            heard: list[Heard] = []
            with self.boundary.round(f"what came from {kind}", passes=ENDING) as deed:
                heard = self._heard_of(kind, what)
            if deed.fault is not None:
                with self.boundary.round(f"letting go of {kind}"):
                    heard = self._let_go(key)
            yield from heard
        self._notice_absence(0.0)
        heard = []
        with self.boundary.round("looking after the instruments"):
            heard = self.pool.tend()
        yield from heard
        if self._tick.passed:
            self._tick = host_deadline(_TICK_S)
            self._look_around()

    def _heard_of_probes(self) -> Iterator[Heard]:
        """Take all that ambient probes have said, before the readings beside it."""
        self._behind = False
        heard: list[Heard] = []
        for name in self._probes & self.pool.by_name.keys():
            with self.boundary.round(f"what came from {name!r}", passes=ENDING):
                heard += self.pool.hear_rest(name)
        yield from heard

    def _heard_of(self, kind: str, what: Any) -> list[Heard]:
        """Take what has come from one of those that are waited on."""
        match kind:
            case "instrument":
                return self.pool.hear(what)
            case "aside":
                self.pool.drain(what)
            case "caller" if self.server is not None:
                self.server.serve(what)
            case "signal":
                self.surroundings.signals.drain()
            case "until":
                self._look_at_lease(what)
            case "ids":
                self.ids_came()
        return []

    def _let_go(self, key: selectors.SelectorKey) -> list[Heard]:
        """Wait no more on what cannot be heard; it would be ready for ever."""
        kind, what = key.data
        if kind == "instrument":
            return self.pool.lose(what, "sent what nobody can read")
        if kind == "caller" and self.server is not None:
            self.server.send_away(what)
        elif kind in ("aside", "ids"):
            with contextlib.suppress(KeyError, ValueError):
                self.surroundings.selector.unregister(key.fileobj)
        return []

    def _look_around(self) -> None:
        with self.boundary.round("looking around"):
            self.watch.look()
        if self.server is not None:
            with self.boundary.round("looking after the control socket"):
                self.server.tend()

    def _notice_absence(self, waited_s: float) -> None:
        """See whether the keeper itself was away; then nobody was silent but itself."""
        signals = self.surroundings.signals
        continued, signals.continued = signals.continued, False
        absence = self._pace.look(waited_s, continued=continued)
        if absence is None:
            return
        self._behind = True
        self.pool.excuse()
        if self.book.runs.by_id:  # before a run begins all have to answer anyway
            self.watch.excuse()
        self.book.note_absence(absence)

    def _look_at_lease(self, fd: int) -> None:
        if not os.read(fd, 1):
            self.surroundings.selector.unregister(fd)
            self.terminal_gone()
