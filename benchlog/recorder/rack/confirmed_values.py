"""What a counter behind a scanner gives, kept back until its channel is confirmed.

After each value the scanner is asked which channel it has closed. Only when that is the
one of the device, and it alone, is the value that device's. What came before an answer
that is not so belongs to nobody. A turn's first value may be of the device before all
the same (`first_values.py`).
"""

from collections import deque
from collections.abc import Callable
from typing import Final

from benchlog.clock import Deadline
from benchlog.recorder.instruments.instrument_messages import Failed, Got
from benchlog.recorder.rack.first_values import OF_BEFORE, FirstValues
from benchlog.recorder.rack.setter_handle import SetterReport

UNCONFIRMED: Final = "value refused, its channel was not confirmed"


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
        *,
        firsts: FirstValues | None = None,
        gates: int | None = None,
    ) -> None:
        self._old, self._firsts = old, firsts
        self._single = gates == 1
        self._held: Got | None = None
        self._given: list[float] = []
        self.of_before: list[Got] = []
        """Values that were found to be of the device before."""
        self._channel, self._ask, self._answer = channel, ask, answer
        self._waiting: deque[Got | Failed] = deque()
        self._asked: tuple[int, int] | None = None  # number of a check, values before
        self.broken = ""

    @property
    def busy(self) -> bool:
        """Whether something still waits to be confirmed."""
        return self._asked is not None or bool(self._waiting)

    @property
    def wants_another(self) -> bool:
        """Whether a value was refused, or is kept back until the next one has come."""
        return not self.busy and (self._held is not None or bool(self.of_before))

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
        return self._own(found)

    def unconfirmed(self) -> list[Got]:
        """Give up the values of which nobody knows whose they are; each once."""
        left = [one for one in self._waiting if isinstance(one, Got)]
        self._waiting.clear()
        if self._firsts is not None and self._channel is not None:
            self._firsts.turn_over(self._channel, self._given)
            self._given = []
        return left

    def refused(self) -> list[tuple[str, Got]]:
        """Give up all that is not the device's, with the reason; at a turn's end."""
        left = [(UNCONFIRMED, got) for got in self.unconfirmed()]
        before, self.of_before = self.of_before, []
        return [*left, *((OF_BEFORE, got) for got in before)]

    def last(self) -> list[Got]:
        """Return the value that a turn gave alone, and that was kept back, at its end.

        Of a counter that is late it is that of the device before.
        """
        held, self._held = self._held, None
        if held is None:
            return []
        if self._firsts is not None and self._firsts.late:
            self.of_before.append(held)
            return []
        return [held]

    def _own(self, found: list[Got | Failed]) -> list[Got | Failed]:
        """Return what is the device's own of what was confirmed."""
        if self._firsts is None or self._channel is None:
            return found
        own: list[Got | Failed] = []
        for one in found:
            if isinstance(one, Failed):
                if self._given or not self._firsts.late:  # else it is of the one before
                    own += [*self.last(), one]
                continue
            value = one.sample.value
            self._given.append(value)
            first = len(self._given) == 1
            if first and self._firsts.keeps_back(self._channel, single=self._single):
                self._held = one
            elif self._held is not None:
                own += self._first(self._firsts, value)
                own.append(one)
            else:
                own.append(one)
        return own

    def _first(self, firsts: FirstValues, second: float) -> list[Got]:
        """Return the value that was kept back, if it is the device's own."""
        held, self._held = self._held, None
        assert held is not None
        if firsts.is_own(held.sample.value, second):
            return [held]
        self.of_before.append(held)
        return []

    def _wrong(self, report: SetterReport) -> str:
        if report.kind != "refused" and report.read_back == self._channel:
            return ""
        return report.text or (
            f"channel {self._channel} was to be closed and "
            f"{'none' if report.read_back is None else f'{report.read_back:.0f}'} is"
        )
