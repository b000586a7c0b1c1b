"""Opening the screen: what it needs of a terminal, and how it is left."""

import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from benchlog.errors import BenchlogError, NotFoundError, UsageError
from benchlog.screen.app import BenchApp
from benchlog.screen.end_signals import run_until_left
from benchlog.screen.screen_host import NextRun, ScreenOptions, ScreenOutcome
from benchlog.store.reader import Reader


def run_screen(
    database: Path,
    run: int | None = None,
    *,
    start: Callable[[str], int] | None = None,
    ask_device: bool = False,
    bell: bool = False,
    onlooker: bool = False,
    look_only: bool = False,
    beside: Sequence[int] = (),
    next_run: NextRun | None = None,
) -> ScreenOutcome:
    """Show a run until the person leaves; blocks.

    Parameters
    ----------
    database : Path
        The database; with `start` it may not be there yet.
    run : int | None
        The run to show; None shows the history.
    start : callable, optional
        Given with `ask_device`: called with the device's id once it is known, in a
        thread; returns the run's id or raises BenchlogError, whose text is shown.
    ask_device : bool
        Ask for the device first.
    bell : bool
        Ring when the verdict is clear.
    onlooker : bool
        The run belongs to somebody else: leaving asks nothing and changes nothing.
    look_only : bool
        No key changes anything in a run.
    beside : sequence of int
        Runs at other positions of the same keeper that are answered for, too.
    next_run : callable, optional
        Called with a position and a device when the next device follows a run that has
        ended, in a thread; returns the run's id or raises BenchlogError.

    Raises UsageError without a terminal that can show a full screen, StoreError or
    NotFoundError before anything is drawn, BenchlogError when the screen itself breaks
    (the run is not touched).

    """
    if not (sys.stdin.isatty() and sys.stdout.isatty() and sys.stderr.isatty()):
        raise UsageError(
            "there is no terminal for a full screen; use --no-screen, or `benchlog "
            "show` for the figures"
        )
    if os.environ.get("TERM") == "dumb":
        raise UsageError(
            "this terminal (TERM=dumb) can show no full screen; use --no-screen, or "
            "`benchlog show` for the figures"
        )
    if ask_device and start is None:
        raise ValueError("ask_device needs start")
    if not ask_device:
        _check(database, run)
    asked = start if ask_device else None
    app = BenchApp(
        ScreenOptions(
            database=database,
            run=run,
            start=asked,
            bell=bell,
            onlooker=onlooker,
            look_only=look_only,
            beside=tuple(beside),
            next_run=next_run,
        )
    )
    result = run_until_left(app, app.leave_now)
    outcome, broken = result
    if broken:
        raise BenchlogError(
            "the screen broke down; the run is not touched by that, `benchlog watch` "
            "shows it again"
        )
    return outcome or app.outcome_now()


def _check(database: Path, run: int | None) -> None:
    """Raise what would keep the run from being shown."""
    with Reader.open(database) as reader:
        if run is not None:
            reader.run(run)
        elif reader.latest_run() is None:
            raise NotFoundError("run", "", (), "in this database yet")
