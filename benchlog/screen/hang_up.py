"""A terminal that goes away while a screen is shown, perhaps without a SIGHUP.

Who ignores that signal (`nohup`), or has the terminal from somebody else, is not told.
Reading then gives nothing at once, again and again, and the first thing that is drawn
ends the thread that draws, so that the loop waits for it for ever.
"""

import contextlib
import os
import select
import threading
from collections.abc import Callable, Iterator
from typing import Final

_STANDARD: Final = (0, 1, 2)  # definition: input, output, error
_GONE: Final = getattr(select, "POLLHUP", 0) | getattr(select, "POLLERR", 0)
_PATIENCE_S: Final = 3.0  # our rule: a screen is left by then, or never
_HUNG_UP: Final = 128 + 1  # POSIX shells: what SIGHUP ends has this exit code


@contextlib.contextmanager
def told_of_hang_up(leave: Callable[[], None]) -> Iterator[None]:
    """Call `leave`, in a thread, when the terminal is gone; then see that it is left.

    A program that has not left 3 s later is ended: nobody sees it, and all that it has
    of a run is what the database has.
    """
    terminals = [fd for fd in _STANDARD if _is_terminal(fd)]
    if not terminals or not hasattr(select, "poll"):
        yield
        return
    over, ending = threading.Event(), os.pipe()
    watching = threading.Thread(
        target=_watch, args=(terminals, ending[0], over, leave), daemon=True
    )
    watching.start()
    try:
        yield
    finally:
        over.set()
        os.close(ending[1])
        watching.join()
        os.close(ending[0])


def _watch(
    terminals: list[int], ending: int, over: threading.Event, leave: Callable[[], None]
) -> None:
    poll = select.poll()
    poll.register(ending, select.POLLIN)
    for fd in terminals:
        poll.register(fd, 0)  # nothing but that it is gone
    ready = dict(poll.poll())
    if ending in ready or not any(found & _GONE for found in ready.values()):
        return
    _read_and_write_nothing(terminals)
    leave()
    if not over.wait(_PATIENCE_S):
        os._exit(_HUNG_UP)


def _read_and_write_nothing(terminals: list[int]) -> None:
    """Have what is still drawn go nowhere, without an error that ends who draws."""
    nowhere = os.open(os.devnull, os.O_RDWR)
    for fd in terminals:
        os.dup2(nowhere, fd)
    os.close(nowhere)


def _is_terminal(fd: int) -> bool:
    try:
        return os.isatty(fd)
    except OSError:
        return False
