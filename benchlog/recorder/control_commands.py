"""What people who look on may ask for, and what comes of it."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final, Protocol

from benchlog.control import Answer, Request
from benchlog.errors import UsageError
from benchlog.model import EventKind, Purpose, RunPlan, device_id_fault
from benchlog.recorder.instruments.instrument_messages import Order
from benchlog.recorder.instruments.instrument_pool import InstrumentPool
from benchlog.recorder.run.bookkeeper import Bookkeeper
from benchlog.recorder.run.live_run import LiveRun
from benchlog.units import NS_PER_S, printable
from benchlog.verdict.run.run_marks import read_mark

_LONGEST_NOTE: Final = 4_000  # our rule: a page of text; bounds what comes from outside
# real seconds: so long a person may take over a few words; our rule
_BACK_S: Final = 600.0
_KINDS: Final = {"note": EventKind.NOTE, "mark": EventKind.MARK}
_OF_A_LOT: Final = frozenset({"aside", "damaged", "meant", "take-out", "skip", "undo"})
_NOT_IN_A_SEARCH: Final = frozenset({"device", "again"})
"""A search for a trim code is one run on one device."""
_NOT_IN_A_SEQUENCE: Final = frozenset({"device", "again", "pause", "go-on"})
"""The steps of a rack's sequence tell who is measured when."""


class Kept(Protocol):
    """What the commands need of a keeper."""

    plans: Sequence[RunPlan]
    book: Bookkeeper
    pool: InstrumentPool
    go_on: bool

    def now(self) -> Mapping[str, str]:
        """Return what the keeper of a rack does now, under `doing`."""
        ...

    def in_turns(self, run: LiveRun) -> bool:
        """Whether a run waits for its turn at a counter that others have, too."""
        ...

    def start_reading(self, run: LiveRun) -> None:
        """Let the counter of a run read."""
        ...

    def begin_one(self, plan: RunPlan, *, follows: bool = False) -> int:
        """Begin a run and return its id."""
        ...

    def end_one(self, run_id: int, how: str) -> None:
        """End a run."""
        ...


class ControlCommands:
    """Turns requests into deeds of one keeper; each leaves an event in its run."""

    def __init__(self, keeper: Kept) -> None:
        self._keeper = keeper

    def answer(self, request: Request) -> Answer:
        """Do what is asked and say what came of it."""
        if request.do == "status":
            return Answer(ok=True, data=self._status())
        if why := self._unfit(request.do):
            return Answer(ok=False, error=why)
        if request.do == "device":
            return self._next(request)
        runs = self._asked(request.run)
        if not runs:
            return Answer(ok=False, error=f"run {request.run} is not open here")
        late = next(filter(None, (_untimely(request, run) for run in runs)), "")
        if late:
            return Answer(ok=False, error=late)
        data: dict[str, object] = {}
        for run in runs:
            data.update(self._do(request, run))
        return Answer(ok=True, data=data)

    def _unfit(self, verb: str) -> str:
        """Return why a verb is none for this keeper; empty when it is one."""
        if verb in _OF_A_LOT:
            return f"{verb!r} belongs to a lot's inspection; this keeper has no lot"
        searches = any(plan.purpose is Purpose.TRIM for plan in self._keeper.plans)
        if searches and verb in _NOT_IN_A_SEARCH:
            return f"{verb!r} does not fit a search for a trim code: stop it first"
        racked = any(plan.purpose is Purpose.QUALIFY for plan in self._keeper.plans)
        if racked and verb in _NOT_IN_A_SEQUENCE:
            return f"{verb!r} does not fit a rack's sequence: all devices go through it"
        return ""

    def _do(self, request: Request, run: LiveRun) -> Mapping[str, object]:
        match request.do:
            case "stop":
                self._keeper.end_one(run.run_id, "stopped")
            case "pause":
                self._pause(run)
            case "go-on":
                self._go_on(run)
            case "keep-going":
                self._keeper.go_on = True
                self._note(run, EventKind.NOTE, "continues when the terminal is closed")
            case "again":
                return {"run": self._begin_again(run, request.text.strip())}
            case _:
                return self._written(request, run)
        return {}

    def _begin_again(self, run: LiveRun, device: str) -> int:
        """End a run and begin another at its place, on this device or another one."""
        plan = _for_device(run.plan, device)
        same = plan.device == run.plan.device
        self._keeper.end_one(run.run_id, "measured again" if same else "stopped")
        return self._keeper.begin_one(plan, follows=True)

    def _next(self, request: Request) -> Answer:
        """Begin a run on the next device at a position whose last run has ended."""
        where, device = request.position, request.text.strip()
        busy = [r for r in self._keeper.book.runs.all() if r.plan.position == where]
        plan = next((p for p in self._keeper.plans if p.position == where), None)
        if plan is None or not device:
            return Answer(ok=False, error="a device needs an id and its position")
        if busy:
            error = f"run {busy[0].run_id} is still going at position {where}"
            return Answer(ok=False, error=printable(error))
        following = _for_device(plan, device)
        return Answer(
            ok=True, data={"run": self._keeper.begin_one(following, follows=True)}
        )

    def _written(self, request: Request, run: LiveRun) -> Mapping[str, object]:
        """Keep a note or a mark at the moment that was meant; say what is odd of it."""
        text = request.text[:_LONGEST_NOTE]
        event = run.event(_KINDS[request.do], text)
        if request.at_mono_ns is not None:
            back_ns = event.mono_ns - request.at_mono_ns
            utc_ns = request.at_utc_ns or event.utc_ns - back_ns
            event = replace(event, mono_ns=request.at_mono_ns, utc_ns=utc_ns)
        self._keeper.book.runs.add_event(run, event)
        if event.kind != EventKind.MARK:
            return {}
        said = read_mark(text, run.plan.supply_v).said
        return {"said": said} if said else {}

    def _pause(self, run: LiveRun) -> None:
        if not run.paused:
            run.pause()
            if not self._keeper.in_turns(run):
                self._keeper.pool.order(run.position.frequency, Order.HOLD)
            self._note(run, EventKind.PAUSED, "paused")

    def _go_on(self, run: LiveRun) -> None:
        if run.paused:
            run.go_on()
            self._keeper.start_reading(run)
            self._note(run, EventKind.RESUMED, "goes on")

    def _note(self, run: LiveRun, kind: EventKind, text: str) -> None:
        self._keeper.book.runs.note(run, kind, text)

    def _asked(self, run_id: int | None) -> list[LiveRun]:
        open_runs = self._keeper.book.runs
        if run_id is None:
            return open_runs.all()
        return [open_runs.by_id[run_id]] if run_id in open_runs.by_id else []

    def _status(self) -> Mapping[str, object]:
        book, pool = self._keeper.book, self._keeper.pool
        return {
            "runs": {
                str(run.run_id): "paused" if run.paused else "measuring"
                for run in book.runs.all()
            },
            "begun": list(book.runs.ids),
            "instruments": {n: i.state for n, i in pool.by_name.items()},
            "rows_waiting": book.queue.waiting,
            "keeps_going": self._keeper.go_on,
            **self._keeper.now(),
        }


def _for_device(plan: RunPlan, device: str) -> RunPlan:
    """Return the plan for a device; what was noted of another one is left out."""
    if device in ("", plan.device):
        return plan
    if fault := device_id_fault(device):
        raise UsageError(f"{printable(device[:40])!r} is no device id: {fault}")
    return replace(plan, device=device, note="")


def _untimely(request: Request, run: LiveRun) -> str:
    """Return why the moment a request carries cannot be taken; empty if it can."""
    if request.at_mono_ns is None:
        return ""
    now_mono_ns, now_utc_ns = run.clock.mono_ns(), run.clock.utc_ns()
    most_ns = _BACK_S / max(run.clock.real_s(1.0), 1e-9) * NS_PER_S
    utc_ns = now_utc_ns if request.at_utc_ns is None else request.at_utc_ns
    ages_ns = (now_mono_ns - request.at_mono_ns, abs(now_utc_ns - utc_ns))
    if ages_ns[0] < 0:
        return "the moment has not come yet; leave out its time to mark now"
    if max(ages_ns) > most_ns:
        return "the moment lies more than 10 min back; mark another one"
    if request.at_mono_ns < run.began_mono_ns:
        return f"run {run.run_id} had not begun at that moment; mark another one"
    return ""
