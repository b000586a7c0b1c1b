"""An instrument that is set: what it was told, what it tells, how it misbehaves."""

import re
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from benchlog.testing.faults import (
    ASKED_FAULTS,
    MALFORMED,
    Steps,
)
from benchlog.testing.scripts import Behaviour, Channel, answer_lines

SETTER_FAULTS: Final = ASKED_FAULTS
"""What an instrument that is set by lines may do when it is asked what it is set to."""
NO_VALUES: Final = MALFORMED
"""Lines that hold no number; none of them may be read back as one."""


@dataclass(slots=True)
class SetState:
    """What an instrument is set to: a value, and whether its output is on."""

    value: float = 0.0
    on: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingWords:
    """The lines by which an instrument is set.

    Parameters
    ----------
    order : str
        A pattern of the line that sets a value; its only group is the value.
    ask : str
        The question for what it is set to.
    tell : callable
        From the state to the answer; faults strike this one.
    deeds : mapping
        Lines that change something else, as OUTPut ON, to what they do.
    answers : mapping
        Other questions, to their answers: texts, or callables of the state.
    reply : callable
        From the state to the answer to an order; None where there is none.

    """

    order: str
    ask: str
    tell: Callable[[SetState], str] = lambda state: f"{state.value:+.9E}"
    deeds: Mapping[str, Callable[[SetState], None]] = field(default_factory=dict)
    answers: Mapping[str, str | Callable[[SetState], str]] = field(default_factory=dict)
    reply: Callable[[SetState], str] | None = None


class SettingScript(Behaviour):
    """An instrument that is set by lines, and asked.

    `heard` has every line that arrived, `ordered` each value that was ordered, in
    order: what was on the wire, whatever a driver makes of it. `state` may be changed
    by a test, as somebody does who turns a knob.
    """

    def __init__(self, words: SettingWords, terminator: bytes = b"\n") -> None:
        super().__init__()
        self.heard: list[str] = []
        self.ordered: list[float] = []
        self.state = SetState()
        self._words, self._terminator = words, terminator
        self._order = re.compile(words.order, re.ASCII | re.IGNORECASE)

    def serve(self, channel: Channel, stopped: threading.Event) -> None:
        """See `Behaviour.serve`."""
        answer_lines(self._steps, self._terminator, channel, stopped)

    def _steps(self, line: str) -> Steps:
        self.heard.append(line)
        words, said = self._words, line.strip()
        order = self._order.fullmatch(said)
        if order is not None:
            self.state.value = float(order[1])
            self.ordered.append(self.state.value)
            return () if words.reply is None else (self._line(words.reply),)
        if said == words.ask:
            return self._value_steps(self._line(words.tell))
        if said in words.deeds:
            words.deeds[said](self.state)
        if said in words.answers:
            answer = words.answers[said]
            return (self._line(answer),)
        return ()

    def _line(self, answer: str | Callable[[SetState], str]) -> bytes:
        text = answer if isinstance(answer, str) else answer(self.state)
        return text.encode() + self._terminator
