"""What people may ask for while a lot is inspected, and what comes of it."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from benchlog.control import Answer, Request
from benchlog.model import EventKind
from benchlog.recorder.front import Front
from benchlog.recorder.ids import LONGEST
from benchlog.recorder.liverun import LiveRun
from benchlog.recorder.places import Place
from benchlog.units import printable

if TYPE_CHECKING:
    from benchlog.recorder.inspection import LotKeeper

_WORDS = {
    "aside": (EventKind.SET_ASIDE, "taken back by a person: it does not count"),
    "damaged": (EventKind.DAMAGED, "the device is damaged: it counts as defective"),
    "note": (EventKind.NOTE, ""),
}


class LotFront(Front):
    """Requests about a lot; what changes something is an event in a run."""

    def __init__(self, keeper: "LotKeeper") -> None:
        super().__init__(keeper)
        self._lot = keeper

    def answer(self, request: Request) -> Answer:
        """Do what is asked and say what came of it."""
        match request.do:
            case "device":
                return self._device(request.text)
            case "aside" | "damaged" | "note":
                return self._mark(request)
            case "again":
                return self._again()
            case "pause" | "go-on":
                self._lot.paused = request.do == "pause"
                return super().answer(request) if self._open() else Answer(ok=True)
            case "stop":
                self._lot.leave()
                return Answer(ok=True)
            case _:
                return super().answer(request)

    def _device(self, text: str) -> Answer:
        """Take the id of the device that comes next; without one: it is in."""
        device = text.strip()
        place = self._free()
        if place is None:
            return _no("a device is being measured; wait for its verdict")
        if not device:
            return self._is_in(place)
        if len(device) > LONGEST:
            return _no(f"an id has at most {LONGEST} characters")
        if any(run.plan.device == device for run in self._lot.book.runs.all()):
            return _no(f"{printable(device)} is being measured")
        if self._lot.lot.complete and not self._lot.lot.times(device):
            return _no("the sample is complete: only its own devices can be repeated")
        place.device, place.forced = device, False
        return Answer(ok=True)

    def _is_in(self, place: Place) -> Answer:
        if not place.device:
            return _no("which device? Type or scan its id")
        place.forced = True
        if place.seen is True:
            return Answer(ok=True)
        return _no(f"there is no signal at {place.name}: look at the hook-up")

    def _mark(self, request: Request) -> Answer:
        kind, usual = _WORDS[request.do]
        text = request.text.strip()[:4_000]
        said = f"{usual} ({text})" if usual and text else usual or text
        running = self._open()
        if running:
            self._lot.book.runs.note(running[-1], kind, said)
            if request.do != "note":
                self._lot.end_one(running[-1].run_id, "stopped")
            return Answer(ok=True, data={"run": running[-1].run_id})
        last = self._lot.lot.last()
        if last is None:
            return _no("no device has been measured yet")
        self._lot.lot.mark(last.run, kind, said)
        self._lot.lot.decide()
        return Answer(ok=True, data={"run": last.run, "device": last.device})

    def _again(self) -> Answer:
        running = self._open()
        if running:
            run = running[-1]
            place, device = self._lot.place_of(run.run_id), run.plan.device
            self._lot.set_aside(run, "measured again", "measured again: see the next")
        else:
            last = self._lot.lot.newest()
            free = self._free()
            if last is None or free is None:
                return _no("no device has been measured yet")
            place, device = free, last.device
        again = "measured again as a person asked"
        return Answer(
            ok=True, data={"run": self._lot.begin_at(place, device, again=again)}
        )

    def _open(self) -> list[LiveRun]:
        return self._lot.book.runs.all()

    def _free(self) -> Place | None:
        free = (place for place in self._lot.places if place.run_id is None)
        return next(free, None)

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
        lot = {"said": self._lot.said, "paused": self._lot.paused, "places": places}
        return {**super()._status(), "lot": lot}


def _no(text: str) -> Answer:
    return Answer(ok=False, error=text)
