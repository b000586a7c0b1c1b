"""What people may ask for while a lot is inspected, and what comes of it."""

from collections.abc import Mapping
from typing import Protocol

from benchlog.control import Answer, Request
from benchlog.errors import BenchlogError
from benchlog.model import EventKind, device_id_fault
from benchlog.recorder.control_commands import ControlCommands, Kept
from benchlog.recorder.lot.device_site import DeviceSite
from benchlog.recorder.lot.lot_book import LotBook
from benchlog.recorder.run.live_run import LiveRun
from benchlog.units import printable

_WORDS = {
    "aside": (EventKind.SET_ASIDE, "taken back by a person: it does not count"),
    "damaged": (EventKind.DAMAGED, "the device is damaged: it counts as defective"),
    "note": (EventKind.NOTE, ""),
}
_ANSWERS = {
    "meant": (EventKind.RESTORED, "a person answered: it is meant, it counts"),
    "take-out": (EventKind.SET_ASIDE, "a person answered: the wrong part, taken out"),
    "skip": (EventKind.SET_ASIDE, "a person answered: skipped, it does not count"),
}
_ENDING = frozenset(("again", "aside", "damaged", "take-out", "skip", "undo"))
"""Deeds that may end the run of a device before its time."""
_ENDED = {"take-out": "taken out", "skip": "skipped"}


class LotKept(Kept, Protocol):
    """What the commands of a lot need of its keeper besides."""

    lot: LotBook
    places: list[DeviceSite]
    paused: bool
    idle_at: DeviceSite | None
    """Where no device came for long, while that is what a person should know."""

    @property
    def said(self) -> str:
        """What a person should know."""

    def leave(self) -> None:
        """End here; the lot can be gone on with another time."""
        ...

    def begin_at(self, place: DeviceSite, device: str, *, again: str = "") -> int:
        """Begin a run on a device and return its id."""
        ...

    def set_aside(self, run: LiveRun, how: str, text: str) -> None:
        """End a run that shall not count, and say why."""
        ...

    def unfinished(self, run: LiveRun) -> str:
        """Return why a person cannot end a run just now; empty where one can."""
        ...

    @property
    def holding(self) -> bool:
        """Whether nothing is begun until a person has answered about a device."""

    def ask_about(self, run_id: int, *, asked: bool) -> None:
        """Note whether something is asked about the device of an open run."""
        ...

    def place_of(self, run_id: int) -> DeviceSite:
        """Return where a run is."""
        ...

    def under_way(self) -> set[str]:
        """Return the devices that are measured or waited for."""
        ...


class LotCommands(ControlCommands):
    """Requests about a lot; what changes something is an event in a run."""

    def __init__(self, keeper: LotKept) -> None:
        super().__init__(keeper)
        self._lot = keeper
        self._deeds = {
            "device": self._device,
            "again": self._again,
            "undo": self._undo,
            **dict.fromkeys(_WORDS, self._mark),
            **dict.fromkeys(_ANSWERS, self._answer_held),
        }

    def answer(self, request: Request) -> Answer:
        """Do what is asked and say what came of it."""
        if why := self._unfit_now(request):
            return _no(why)
        if (deed := self._deeds.get(request.do)) is not None:
            return deed(request)
        if request.do == "keep-going":
            return _no(
                "an inspection ends with its terminal; the lot can be gone on with"
            )
        if request.do == "stop":
            self._lot.leave()
            return Answer(ok=True)
        if request.do in ("pause", "go-on") and self._is_open(request.run):
            self._lot.paused = request.do == "pause"
            if not self._lot.book.runs.all():
                return Answer(ok=True)
        return super().answer(request)

    def _unfit_now(self, request: Request) -> str:
        """Return why a request cannot be done now; empty where nothing is known."""
        if request.position and self._at(request.position) is None:
            return f"there is no position {printable(request.position)}"
        open_runs = self._open(request) if request.do in _ENDING else []
        return next(filter(None, map(self._lot.unfinished, open_runs)), "")

    def _device(self, request: Request) -> Answer:
        """Take the id of the device that comes next; without one: it is in."""
        device = request.text.strip()
        place = self._place_for(request.position, waiting=not device)
        if place is None:
            return _no("a device is being measured; wait for its verdict")
        if not device:
            return self._is_in(place)
        try:
            device = self._lot.lot.device_of(device)
        except BenchlogError as error:
            return _no(str(error))
        others = self._lot.under_way() - {place.device}
        if refusal := self._refusal(device, others):
            return _no(refusal)
        place.device, place.forced = device, False
        return Answer(ok=True, data={"position": place.name})

    def _refusal(self, device: str, others: set[str]) -> str:
        """Return why an id is not taken, empty when it is; `others` are under way."""
        lot = self._lot.lot
        if self._lot.holding:
            return f"{printable(device)} is not taken: answer first what is asked"
        if fault := device_id_fault(device):
            return fault
        if device in others:
            return f"{printable(device)} is being measured or waited for"
        if not lot.times(device) and not lot.has_room(len(others)):
            under_way = " with what is under way" if others else ""
            return (
                f"the sample of {lot.sample_size} is complete{under_way}, "
                f"and {printable(device)} is not in it: only a device that is can be "
                "measured again"
            )
        return ""

    def _is_in(self, place: DeviceSite) -> Answer:
        if not place.device:
            return _no("which device? Type or scan its id")
        place.forced = True
        if place.seen is True:
            return Answer(ok=True, data={"position": place.name})
        return _no(f"there is no signal at {place.name}: look at the hook-up")

    def _mark(self, request: Request) -> Answer:
        kind, usual = _WORDS[request.do]
        text = request.text.strip()[:4_000]
        said = f"{usual} ({text})" if usual and text else usual or text
        running = self._open(request)
        if running:
            self._lot.book.runs.note(running[-1], kind, said)
            if request.do != "note":
                self._lot.end_one(running[-1].run_id, "stopped")
            return Answer(ok=True, data={"run": running[-1].run_id})
        if request.run is None:
            last = self._lot.lot.last(request.position)
        else:
            last = self._lot.lot.begun_run(request.run)
        if last is None:
            return _no(_nothing_of(request))
        self._lot.lot.mark(last.run, (kind, said))
        self._lot.lot.decide()
        return Answer(ok=True, data={"run": last.run, "device": last.device})

    def _answer_held(self, request: Request) -> Answer:
        """Do with a device that may be another part what a person says."""
        lot = self._lot.lot
        lot.refresh()
        run = next((r for r in lot.held if request.run in (None, r.run)), None)
        if run is None:
            return _no("nothing is asked about a device")
        kind, said = _ANSWERS[request.do]
        live = self._lot.book.runs.by_id.get(run.run)
        if live is not None and kind is EventKind.SET_ASIDE:
            self._lot.set_aside(live, _ENDED[request.do], said)
        else:
            self._write(run.run, (kind, said))
        place = self._at(run.position)
        if request.do == "take-out" and place is not None:
            place.device, place.forced = run.device, False
            place.left = place.seen is False  # a killed keeper did not see it go
        return Answer(ok=True, data={"run": run.run, "device": run.device})

    def _undo(self, request: Request) -> Answer:
        """Take back what a person did last; each time the deed before."""
        del request
        act = self._lot.lot.newest_act()
        if act is None:
            return _no("there is nothing to undo")
        if act.why_not:
            return _no(f"{printable(act.device)} {act.why_not}: F2 measures it again")
        live = self._lot.book.runs.by_id.get(act.run)
        if live is not None and act.ends:
            self._lot.set_aside(live, "stopped", act.writes[-1][1])
        else:
            self._write(act.run, *act.writes)
        for place in self._lot.places:  # nothing waits any more for what was taken out
            if place.device == act.device:
                place.device = ""
        said = f"undone: {printable(act.device)} {act.then}"
        return Answer(ok=True, data={"run": act.run, "said": said})

    def _write(self, run_id: int, *told: tuple[EventKind, str]) -> None:
        """Write events into a run that is open or has ended, and decide anew."""
        live = self._lot.book.runs.by_id.get(run_id)
        if live is None:
            self._lot.lot.mark(run_id, *told)
            self._lot.lot.decide()
            return
        for kind, text in told:
            self._lot.book.runs.note(live, kind, text)
            if kind in (EventKind.HELD, EventKind.RESTORED):
                self._lot.ask_about(run_id, asked=kind is EventKind.HELD)

    def _again(self, request: Request) -> Answer:
        running = self._open(request)
        if running:
            run = running[-1]
            place, device = self._lot.place_of(run.run_id), run.plan.device
        else:
            last = self._lot.lot.newest(request.position)
            free = self._at(last.position) if last is not None else None
            if last is None or free is None or request.run not in (None, last.run):
                return _no(_nothing_of(request))
            if free.run_id is not None:
                return _no(
                    f"another device is being measured at {printable(free.name)}"
                )
            place, device = free, last.device
        if request.text.strip() not in ("", device):
            return _no(
                f"{printable(request.text.strip()[:40])} is not measured in the place "
                f"of {printable(device)}: the next device is named on the lot's screen"
            )
        if running:
            self._lot.set_aside(run, "measured again", "measured again: see the next")
        waiting, again = place.device, "measured again as a person asked"
        run_id = self._lot.begin_at(place, device, again=again)
        place.device = waiting  # what was scanned for afterwards is not lost
        return Answer(ok=True, data={"run": run_id})

    def _open(self, request: Request) -> list[LiveRun]:
        """Return the open runs that are meant: the one that is named, or those there.

        Who names a run has it before his eyes, and another may have begun meanwhile.
        """
        runs, at = self._lot.book.runs.all(), request.position
        if request.run is not None:
            return [run for run in runs if run.run_id == request.run]
        return [run for run in runs if at in ("", run.position.name)]

    def _is_open(self, run_id: int | None) -> bool:
        return run_id is None or run_id in self._lot.book.runs.by_id

    def _at(self, position: str) -> DeviceSite | None:
        return next((p for p in self._lot.places if p.name == position), None)

    def _place_for(self, position: str, *, waiting: bool) -> DeviceSite | None:
        """Return where an id belongs: a free place, one with a new device first.

        `waiting` asks for the place where a device is waited for.
        """
        free = [
            place
            for place in self._lot.places
            if place.run_id is None and position in ("", place.name)
        ]

        def rank(place: DeviceSite) -> tuple[bool, bool]:
            new = place.left and place.seen is True
            return bool(place.device) is not waiting, not new

        return min(free, key=rank, default=None)

    def _status(self) -> Mapping[str, object]:
        places = [
            {
                "position": place.name,
                "run": place.run_id,
                "device": place.device,
                "seen": place.seen,
                "left": place.left,
            }
            for place in self._lot.places
        ]
        lot = {
            "said": self._lot.said,
            "idle": self._lot.idle_at is not None,
            "paused": self._lot.paused,
            "places": places,
        }
        return {**super()._status(), "lot": lot}


def _nothing_of(request: Request) -> str:
    if request.run is None:
        return "no device has been measured yet"
    return f"run {request.run} is not open here"


def _no(text: str) -> Answer:
    return Answer(ok=False, error=text)
