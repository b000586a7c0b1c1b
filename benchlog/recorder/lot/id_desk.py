"""Which device of a list comes to which place.

Who gives a list in a file has put its devices in, each in a place, before any is
measured. When the lot is gone on with, those that are done are passed over, and the
next id would come to a place where another device is in: each goes where it was. Ids
that come one after the other from another program are of devices put in just now,
wherever there is room.
"""

from collections import deque
from collections.abc import Callable, Collection

from benchlog.errors import BenchlogError
from benchlog.model import device_id_fault
from benchlog.recorder.lot.device_ids import Ids
from benchlog.recorder.lot.lot_book import LotBook


class IdDesk:
    """Hands ids to free places; `say` tells a person, `under_way` what is measured.

    A device is sent to the place where it was once: who names it again in this session
    has put it in anew.
    """

    def __init__(
        self,
        ids: Ids,
        lot: LotBook,
        say: Callable[[str], None],
        under_way: Callable[[], Collection[str]],
    ) -> None:
        self._ids, self._lot, self._say, self._under_way = ids, lot, say, under_way
        self._homes: dict[str, str] = {}
        self._waiting: dict[str, deque[str]] = {}

    def recall(self, places: Collection[str]) -> None:
        """Look up where the devices of a list in a file were before."""
        if self._ids.in_file:
            self._homes = self._lot.homes(places)

    @property
    def exhausted(self) -> bool:
        """Whether every id has come and was handed out."""
        return self._ids.exhausted and not self.waiting

    @property
    def waiting(self) -> set[str]:
        """Return the devices that wait for the place where they were."""
        return {one for several in self._waiting.values() for one in several}

    def next_at(self, place: str) -> str | None:
        """Return the device that is to be measured at a place, None where none is."""
        if waiting := self._waiting.get(place):
            return waiting.popleft()
        if self._under_way() and not self._lot.has_room(len(self._under_way())):
            return None  # what is being measured may complete the sample
        while (typed := self._ids.next_id()) is not None:
            device = self._wanted(typed)
            if device and (home := self._homes.pop(device, place)) != place:
                self._waiting.setdefault(home, deque()).append(device)
                self._say(f"{device} is measured at {home}, where it was before")
            elif device:
                return device
        for line in self._ids.refused:
            self._say(f"{line[:60]!r} is not measured: {device_id_fault(line)}")
        self._ids.refused.clear()
        return None

    def _wanted(self, typed: str) -> str:
        """Return the device that is meant; empty, with a word why, for no one."""
        try:
            device = self._lot.device_of(typed)
        except BenchlogError as error:
            self._say(str(error))
            return ""
        refusal = self._lot.refusal(device)
        if refusal or device in self._under_way():
            self._say(f"{device} is not measured: {refusal or 'it is in already'}")
            return ""
        return device
