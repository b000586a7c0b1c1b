"""What a counter behind a scanner gives, kept back until its channel is confirmed.

After each value the scanner is asked which channel it has closed. Only when that is the
one of the device, and it alone, is the value that device's. What came before an answer
that is not so belongs to nobody.
"""

from collections import deque
from collections.abc import Callable

from benchlog.clock import Deadline
from benchlog.recorder.instruments.instrument_messages import Failed, Got
from benchlog.recorder.rack.setter_handle import SetterReport


class ConfirmedValues:
    """The values of one turn at one channel.

    `ask` asks the scanner and returns the question's number, `answer` returns the
    report on a number once it is there. `broken` tells why the turn cannot go on.
    Until `old` has passed, a word that there is no signal may be of a gate that began
    before the turn, when other channels were closed or none: it is nobody's.
    """

    def __init__(
        self,
        channel: int | None,
        ask: Callable[[], int],
        answer: Callable[[int], SetterReport | None],
        old: Deadline | None = None,
    ) -> None:
        self._old = old
        self._channel, self._ask, self._answer = channel, ask, answer
        self._waiting: deque[Got | Failed] = deque()
        self._asked: tuple[int, int] | None = None  # number of a check, values before
        self.broken = ""

    @property
    def busy(self) -> bool:
        """Whether something still waits to be confirmed."""
        return self._asked is not None or bool(self._waiting)

    def add(self, message: Got | Failed) -> None:
        """Take what the counter has given, a value or the word that there is none."""
        old = self._old is not None and not self._old.passed
        if old and isinstance(message, Failed):
            return  # a device that is truly silent is so in the next gate, too
        self._waiting.append(message)

    def confirmed(self) -> list[Got | Failed]:
        """Return what an answer has confirmed since; ask about what still waits."""
        found: list[Got | Failed] = []
        if self._asked is not None:
            number, before = self._asked
            report = self._answer(number)
            if report is None:
                return found
            self._asked = None
            self.broken = self._wrong(report)
            if self.broken:
                return found
            found = [self._waiting.popleft() for _ in range(before)]
        if self._waiting:
            self._asked = self._ask(), len(self._waiting)
        return found

    def unconfirmed(self) -> list[Got]:
        """Give up the values of which nobody knows whose they are; each once."""
        left = [one for one in self._waiting if isinstance(one, Got)]
        self._waiting.clear()
        return left

    def _wrong(self, report: SetterReport) -> str:
        if report.kind != "refused" and report.read_back == self._channel:
            return ""
        return report.text or (
            f"channel {self._channel} was to be closed and "
            f"{'none' if report.read_back is None else f'{report.read_back:.0f}'} is"
        )
