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
from benchlog.recorder.launch import Launched, launch
from benchlog.screen import ScreenOutcome, run_screen
from benchlog.store.reader import Reader

_END_S: Final = 30.0

PlansFor = Callable[[str], Sequence[RunPlan]]


def watch_run(database: Path, run_id: int | None, *, bell: bool) -> None:
    """Show a run that somebody else keeps."""
    with interruptible(), contextlib.suppress(KeyboardInterrupt):
        run_screen(database, run_id, bell=bell, onlooker=True)


def measure_on_screen(
    plans: Sequence[RunPlan], database: Path, *, go_on: bool, bell: bool
) -> tuple[int, ...]:
    """Start a keeper, show its runs live one after the other; return the runs' ids."""
    launched = launch(plans, database, go_on=go_on)

    def show(run_id: int) -> ScreenOutcome:
        return run_screen(database, run_id, bell=bell)

    return _through(launched, database, list(launched.run_ids), show)


def measure_asking(
    plans_for: PlansFor, database: Path, *, go_on: bool, bell: bool
) -> tuple[int, ...]:
    """As `measure_on_screen`, with the device's id asked for on the screen first."""
    begun: list[Launched] = []

    def start(device: str) -> int:
        begun.append(launch(plans_for(device), database, go_on=go_on))
        return begun[-1].run_ids[0]

    with interruptible(), contextlib.suppress(KeyboardInterrupt):
        outcome = run_screen(database, start=start, ask_device=True, bell=bell)
    if not begun:
        return ()
    return _through(begun[-1], database, list(begun[-1].run_ids), lambda _: outcome)


def _through(
    launched: Launched,
    database: Path,
    run_ids: list[int],
    show: Callable[[int], ScreenOutcome],
) -> tuple[int, ...]:
    """Show each run that is still open; then see to it that the keeper ends."""
    left_running = False
    try:
        with interruptible():
            for place, run_id in enumerate(run_ids):
                if place and not _is_open(database, run_id):
                    continue
                outcome = show(run_id)
                run_ids[place] = outcome.run_id or run_id
                left_running = left_running or outcome.left_running
            if not left_running:
                launched.wait()
    except KeyboardInterrupt:
        _end(launched)
    except BenchlogError as error:
        say(str(error))
        launched.wait()
    if left_running:
        say(f"run {run_ids[0]} goes on; `benchlog watch {run_ids[0]}` shows it again")
    return tuple(run_ids)


def _is_open(database: Path, run_id: int) -> bool:
    with Reader.open(database) as reader:
        return reader.run(run_id).open


def _end(launched: Launched) -> None:
    """Let go of the keeper: it ends its runs cleanly."""
    if launched.process.stdin is not None:
        launched.process.stdin.close()
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
