"""SIGTERM, SIGINT, a hang-up while a screen is shown: it is left, whenever they come.

Nothing is raised: an exception out of a signal handler appears wherever the program
happens to be, and a finaliser, a driver's callback or a task that is being cancelled
swallows it; the screen then stays. Here the handler only notes the signal, and the
loop is told to leave as often as it takes.
"""

import asyncio
import contextlib
import signal
from collections.abc import Callable, Iterator
from types import FrameType, TracebackType
from typing import Final, TypeVar

from textual.app import App

from benchlog.screen.hang_up import told_of_hang_up

_CAUGHT: Final = (signal.SIGTERM, signal.SIGINT)
_AGAIN_S: Final = 0.5  # our rule: what a person does not take for a hang
_PATIENCE: Final = 10  # our rule: so many times it is asked before it is forced

T = TypeVar("T")


def run_until_left(app: App[T], leave: Callable[[], None]) -> tuple[T | None, bool]:
    """Run an application; SIGTERM and SIGINT call `leave` in its loop.

    Return what it returns, and whether it broke down. What breaks while it is being
    left because of a signal is no breakdown: nobody waits for anything from it.

    One that comes before the loop runs is kept until it does; one that finds the
    application busy is repeated, and in the end cancels it. A terminal that goes away
    is as such a signal.
    """
    with EndSignals(leave) as signals, told_of_hang_up(signals.catch):

        async def shown() -> T | None:
            shown_by = asyncio.current_task()
            with signals.heard_in(asyncio.get_running_loop(), shown_by):
                return await app.run_async()

        try:
            result = asyncio.run(shown())
        except asyncio.CancelledError:  # it would not leave by itself
            result = None
        return result, bool(app.return_code) and not signals.caught


class EndSignals:
    """Catches the signals that end a program, for as long as it is in use."""

    def __init__(self, leave: Callable[[], None]) -> None:
        self.caught = False
        self._leave = leave
        self._loop: asyncio.AbstractEventLoop | None = None
        self._task: asyncio.Task[object] | None = None
        self._asked = 0
        self._before: dict[signal.Signals, object] = {}

    def __enter__(self) -> "EndSignals":
        for number in _CAUGHT:
            self._before[number] = signal.signal(number, self._catch)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for number, before in self._before.items():
            signal.signal(number, before)  # type: ignore[arg-type]

    @contextlib.contextmanager
    def heard_in(
        self, loop: asyncio.AbstractEventLoop, task: "asyncio.Task[object] | None"
    ) -> Iterator[None]:
        """Tell this loop of a signal, also of one that came before."""
        self._loop, self._task = loop, task
        if self.caught:
            loop.call_soon(self._ask)
        try:
            yield
        finally:
            self._loop = None

    def _catch(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        self.catch()

    def catch(self) -> None:
        """Have the application left, as by a signal. From any thread."""
        first, self.caught = not self.caught, True
        if first and self._loop is not None:
            self._loop.call_soon_threadsafe(self._ask)

    def _ask(self) -> None:
        """Ask the application to leave, and again until it has."""
        loop = self._loop
        if loop is None:
            return
        self._asked += 1
        loop.call_later(_AGAIN_S, self._ask)
        if self._asked > _PATIENCE and self._task is not None:
            self._task.cancel()
        else:
            self._leave()
