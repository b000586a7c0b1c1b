"""What a peer says, asked or by itself, with faults on command."""

import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from typing import Final, Protocol

from benchlog.testing.faults import Fault, Steps

_POLL_S: Final = 0.01


class Channel(Protocol):
    """One open connection as a script sees it."""

    def send(self, data: bytes) -> None:
        """Send bytes; OSError when the other side is gone."""
        ...

    def receive(self, real_s: float) -> bytes | None:
        """Return what arrived within `real_s`, empty if nothing, None at the end."""
        ...

    def close(self) -> None:
        """Hang up."""
        ...


class Behaviour:
    """What both kinds of peer share: faults waiting to strike, and playing steps."""

    def __init__(self) -> None:
        self._faults: deque[Fault] = deque()

    def misbehave(self, *faults: Fault) -> None:
        """Let these faults strike the next values, one each."""
        self._faults.extend(faults)

    def serve(self, channel: Channel, stopped: threading.Event) -> None:
        """Speak on one connection until it or the peer ends."""
        raise NotImplementedError

    def _value_steps(self, good: bytes) -> Steps:
        return self._faults.popleft().steps(good) if self._faults else (good,)


def answer_lines(
    steps: Callable[[str], Steps],
    terminator: bytes,
    channel: Channel,
    stopped: threading.Event,
) -> None:
    """Play the steps of each line that arrives, until either side ends it."""
    waiting = b""
    while not stopped.is_set():
        arrived = channel.receive(_POLL_S)
        if arrived is None:
            return
        *lines, waiting = (waiting + arrived).split(terminator)
        for line in lines:
            if not play(steps(line.decode("latin-1")), channel, stopped):
                return


def play(steps: Steps, channel: Channel, stopped: threading.Event) -> bool:
    """Do what the steps say; return whether the connection is still open."""
    for step in steps:
        if step is None:
            channel.close()
            return False
        if isinstance(step, bytes):
            channel.send(step)
        elif stopped.wait(step):
            return False
    return True


class Script(Behaviour):
    """An instrument that answers questions.

    Parameters
    ----------
    answers : mapping
        Question to answer, without terminators; case does not count. A question that
        is not here is answered with silence, as instruments do.
    value : (str, str or callable)
        The question for a value and its answer; faults strike this one.
    settings : iterable of str
        Headers that take a value (`GATE 0.1`) and give it back (`GATE?`).
    gate_s : float
        Seconds that a value takes.

    """

    def __init__(
        self,
        answers: Mapping[str, str],
        value: tuple[str, str | Callable[[], str]],
        settings: Iterable[str] = (),
        *,
        gate_s: float = 0.0,
        terminator: bytes = b"\n",
    ) -> None:
        super().__init__()
        self.heard: list[str] = []
        """Every line that arrived, in order."""
        self._answers = {ask.casefold(): answer for ask, answer in answers.items()}
        self._question, self._value = value[0].casefold(), value[1]
        self._headers = {header.casefold() for header in settings}
        self._gate_s, self._terminator = gate_s, terminator

    def serve(self, channel: Channel, stopped: threading.Event) -> None:
        """See `Behaviour.serve`."""
        answer_lines(self._steps, self._terminator, channel, stopped)

    def _steps(self, line: str) -> Steps:
        self.heard.append(line)
        question = line.strip().casefold()
        if question == self._question:
            value = self._value() if callable(self._value) else self._value
            good = value.encode() + self._terminator
            return (self._gate_s, *self._value_steps(good))
        header, _, setting = question.partition(" ")
        if header in self._headers:
            self._answers[header + "?"] = setting
            return ()
        if question in self._answers:
            return (self._answers[question].encode() + self._terminator,)
        return ()


class Talker(Behaviour):
    """An instrument that sends a line every `interval_s` and hears nothing.

    `line` is one line without terminator, or a callable that gives the next.
    """

    def __init__(
        self,
        line: str | Callable[[], str],
        *,
        interval_s: float = 0.02,
        terminator: bytes = b"\n",
    ) -> None:
        super().__init__()
        self._line, self._interval_s = line, interval_s
        self._terminator = terminator

    def serve(self, channel: Channel, stopped: threading.Event) -> None:
        """See `Behaviour.serve`."""
        # A connection begins in the middle of a line, as a port opened at any time.
        good = self._next()
        steps: Steps = (good[len(good) // 2 :],)
        while play(steps, channel, stopped):
            if stopped.wait(self._interval_s) or channel.receive(0.0) is None:
                return
            steps = self._value_steps(self._next())

    def _next(self) -> bytes:
        line = self._line() if callable(self._line) else self._line
        return line.encode() + self._terminator
