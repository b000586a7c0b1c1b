"""Measuring with the live screen beside the keeper, and what becomes of its leaving."""

import contextlib
import signal
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from subprocess import TimeoutExpired
from types import FrameType
from typing import Final

from benchlog.cli.printing import say
from benchlog.errors import BenchlogError
from benchlog.model import RunPlan
from benchlog.recorder.child import end_with_parent
from benchlog.recorder.launch import Again, Launched, launch
from benchlog.screen import ScreenOutcome, run_screen
from benchlog.screen.app import BenchApp, Opening
from benchlog.store.reader import Reader

_END_S: Final = 30.0

PlansFor = Callable[[str], Sequence[RunPlan]]
Show = Callable[[int | None], ScreenOutcome]


def watch_run(
    database: Path, run_id: int | None, *, bell: bool, look_only: bool = False
) -> None:
    """Show a run that somebody else keeps."""
    with interruptible(), contextlib.suppress(KeyboardInterrupt):
        run_screen(database, run_id, bell=bell, onlooker=True, look_only=look_only)


def watch_in_browser(database: Path, run_id: int, *, look_only: bool) -> None:
    """Show a run in the page whose server started this process, and end with it."""
    end_with_parent()
    opening = Opening(database, run_id, onlooker=True, look_only=look_only)
    BenchApp(opening).run()


def measure_on_screen(
    plans: Sequence[RunPlan],
    database: Path,
    *,
    go_on: bool,
    bell: bool,
    again: Again | None = None,
) -> tuple[int, ...]:
    """Start a keeper, show its runs live one after the other; return the runs' ids."""
    launched = launch(plans, database, go_on=go_on, again=again, say=say)

    def show(run_id: int | None) -> ScreenOutcome:
        return run_screen(database, run_id, bell=bell)

    return _through(launched, database, show)


def measure_asking(
    plans_for: PlansFor, database: Path, *, go_on: bool, bell: bool
) -> tuple[int, ...]:
    """As `measure_on_screen`, with the device's id asked for on the screen first."""
    begun: list[Launched] = []

    def start(device: str) -> int:
        begun.append(launch(plans_for(device), database, go_on=go_on))
        return begun[-1].run_ids[0]

    def show(run_id: int | None) -> ScreenOutcome:  # noqa: ARG001 - it is not known yet
        return run_screen(database, start=start, ask_device=True, bell=bell)

    outcome = _shown(show, None)
    return _through(begun[-1], database, lambda _: outcome) if begun else ()


def _through(launched: Launched, database: Path, show: Show) -> tuple[int, ...]:
    """Show each run that is still open; then see to it that the keeper ends."""
    run_ids: list[int] = []
    left_running = False
    for begun in launched.run_ids:
        if not run_ids or _is_open(database, begun):
            outcome = _shown_or_waited(show, begun, launched)
            left_running = left_running or outcome.left_running
            run_ids.append(outcome.run_id or begun)
        else:
            run_ids.append(begun)
    if left_running:
        say(f"run {run_ids[0]} goes on; `benchlog watch {run_ids[0]}` shows it again")
    else:
        _end(launched, any(_is_open(database, run_id) for run_id in run_ids))
    return tuple(run_ids)


def _shown_or_waited(show: Show, run_id: int, launched: Launched) -> ScreenOutcome:
    """Show a run; where that breaks, the run still goes on to its end."""
    try:
        return _shown(show, run_id)
    except BenchlogError as error:
        say(f"{error} - the run goes on, Ctrl-C ends it")
    with interruptible(), contextlib.suppress(KeyboardInterrupt):
        launched.wait()
    return ScreenOutcome(run_id)


def _shown(show: Show, run_id: int | None) -> ScreenOutcome:
    """Show a run; an interrupt leaves the screen, nothing else."""
    with interruptible():
        try:
            return show(run_id)
        except KeyboardInterrupt:
            return ScreenOutcome(run_id)


def _is_open(database: Path, run_id: int) -> bool:
    with Reader.open(database) as reader:
        return reader.run(run_id).open


def _end(launched: Launched, interrupted: bool) -> None:
    """Wait for the keeper to end; a run left open by an interrupt is ended cleanly."""
    if interrupted:
        launched.process.terminate()
    try:
        launched.wait(_END_S)
    except TimeoutExpired:
        say(f"the keeper (process {launched.pid}) has not ended yet; it goes on alone")


@contextlib.contextmanager
def interruptible() -> Iterator[None]:
    """Let SIGTERM do what Ctrl-C does: the screen is wiped, the run ends cleanly."""

    def interrupt(number: int, frame: FrameType | None) -> None:  # noqa: ARG001
        signal.raise_signal(signal.SIGINT)

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
