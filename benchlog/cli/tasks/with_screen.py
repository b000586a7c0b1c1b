"""Measuring with the live screen beside the keeper, and what becomes of its leaving."""

import contextlib
import signal
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from subprocess import TimeoutExpired
from types import FrameType
from typing import Final

from click.exceptions import Exit

from benchlog.cli.printing import say
from benchlog.errors import BenchlogError, UnreadableRunError, UsageError
from benchlog.model import RunPlan
from benchlog.recorder.instruments.parent_death import signal_at_parents_death
from benchlog.recorder.launch import Again, Launched, launch, log_of
from benchlog.screen import ScreenOutcome, run_screen
from benchlog.screen.app import BenchApp
from benchlog.screen.screen_host import ScreenOptions
from benchlog.store.opening import fold_log
from benchlog.store.reader import Reader
from benchlog.units import printable

_END_S: Final = 30.0
_PAGE_TAKES: Final = 2**29
"""Octets that a page's process may take beside what it starts with; our rule."""
_FEW: Final = 4  # our rule: so many lines are read

PlansFor = Callable[[str], Sequence[RunPlan]]
Show = Callable[[], ScreenOutcome]


def watch_run(
    database: Path, run_id: int | None, *, bell: bool, look_only: bool = False
) -> None:
    """Show a run that somebody else keeps."""
    run_screen(database, run_id, bell=bell, onlooker=True, look_only=look_only)
    fold_log(database)


def watch_in_browser(database: Path, run_id: int, *, look_only: bool) -> None:
    """Show a run in the page whose server started this process, and end with it.

    It ends, too, where a page sends faster than a screen can take in: all that waits is
    in memory.
    """
    from benchlog.exchange.memory_bound import ended_beyond

    signal_at_parents_death(signal.SIGKILL)
    opening = ScreenOptions(
        database=database, run=run_id, onlooker=True, look_only=look_only
    )
    with ended_beyond(_PAGE_TAKES, "a page took too much memory and was ended"):
        BenchApp(opening).run()


class Keepers:
    """The keepers that one screen starts: a device after the other, on one bench."""

    def __init__(self, database: Path, *, go_on: bool) -> None:
        self._database, self._go_on = database, go_on
        self._plans: dict[str, RunPlan] = {}
        self.begun: list[Launched] = []

    def begin(
        self,
        plans: Sequence[RunPlan],
        again: Again | None = None,
        say: Callable[[str], None] | None = None,
    ) -> Launched:
        """Start a keeper. Raises what prevents its start, as `launch` does."""
        launched = launch(
            plans, self._database, go_on=self._go_on, again=again, say=say
        )
        self._plans.update({plan.position: plan for plan in plans})
        self.begun.append(launched)
        return launched

    def next_run(self, position: str, device: str) -> int:
        """Begin a run on the next device, with all else as it was at this position.

        What was noted of the device before is left out. Raises as `begin` does,
        UsageError where nothing is known of the position.
        """
        if position not in self._plans:
            raise UsageError("this run was gone on with: start the next one anew")
        for launched in self.begun:  # their instruments are free once they have ended
            self.end(launched)
        plan = replace(self._plans[position], device=device, note="")
        return self.begin([plan]).run_ids[0]

    def end(self, launched: Launched, *, interrupted: bool = False) -> None:
        """Wait for a keeper to end; runs left open by an interrupt are ended."""
        if interrupted:
            launched.process.terminate()
        try:
            code = launched.wait(_END_S)
        except TimeoutExpired:
            say(
                f"the keeper (process {launched.pid}) has not ended yet; it goes on "
                "alone"
            )
            return
        if code:
            fault = _last_line(log_of(self._database))
            say(f"the keeper ended with a fault: {fault}")


def measure_on_screen(
    plans: Sequence[RunPlan],
    database: Path,
    *,
    go_on: bool,
    bell: bool,
    again: Again | None = None,
) -> tuple[int, ...]:
    """Start a keeper, show its runs live; return the runs' ids.

    Raises click's Exit (code 0) when the person left and the runs go on.
    """
    keepers = Keepers(database, go_on=go_on)
    first, *others = keepers.begin(plans, again, say).run_ids

    def show() -> ScreenOutcome:
        following = keepers.next_run if plans else None
        return run_screen(database, first, bell=bell, beside=others, next_run=following)

    return _through(keepers, database, show)


def shown_beside(launched: Launched, database: Path) -> tuple[int, ...]:
    """Show the runs of a keeper that has begun them; return the runs' ids.

    Raises click's Exit (code 0) when the person left and the runs go on.
    """
    keepers = Keepers(database, go_on=True)
    keepers.begun.append(launched)
    first, *others = launched.run_ids
    return _through(
        keepers, database, lambda: run_screen(database, first, beside=others)
    )


def measure_asking(
    plans_for: PlansFor, database: Path, *, go_on: bool, bell: bool
) -> tuple[int, ...]:
    """As `measure_on_screen`, with the device's id asked for on the screen first."""
    keepers = Keepers(database, go_on=go_on)

    def start(device: str) -> int:
        return keepers.begin(plans_for(device)).run_ids[0]

    def show() -> ScreenOutcome:
        return run_screen(
            database,
            start=start,
            ask_device=True,
            bell=bell,
            next_run=keepers.next_run,
        )

    outcome = show()
    return _through(keepers, database, lambda: outcome) if keepers.begun else ()


def _through(keepers: Keepers, database: Path, show: Show) -> tuple[int, ...]:
    """Show the runs; then see to it that keepers end, unless runs are to go on."""
    outcome = _shown_or_waited(show)
    if outcome is None:
        with _interruptible(), contextlib.suppress(KeyboardInterrupt):
            keepers.begun[-1].wait()
        outcome = ScreenOutcome()
    found = outcome.run_ids or (outcome.run_id,)
    begun = tuple(run_id for one in keepers.begun for run_id in one.run_ids)
    run_ids = tuple(i for i in found if i is not None) or begun
    still_open = [run_id for run_id in run_ids if _is_open(database, run_id)]
    if outcome.left_running and still_open:
        few = still_open if len(still_open) <= _FEW else ()
        for run_id in few:
            say(f"run {run_id} goes on; `benchlog watch {run_id}` shows it again")
        if not few:
            first = still_open[0]
            several = f"{len(still_open)} runs go on"
            say(f"{several}; `benchlog watch {first}` shows them again")
        raise Exit(0)  # no verdict of a run that is not over
    for launched in keepers.begun:
        keepers.end(launched, interrupted=bool(still_open))
    return run_ids


def _shown_or_waited(show: Show) -> ScreenOutcome | None:
    """Show the runs; None where that breaks: they still go on to their end."""
    try:
        return show()
    except BenchlogError as error:
        say(f"{error} - the run continues, Ctrl-C ends it")
        return None


def _is_open(database: Path, run_id: int) -> bool:
    """Whether a run is known to go on; one that cannot be read hides no other's end."""
    with Reader.open(database) as reader:
        try:
            return reader.run(run_id).open
        except UnreadableRunError:
            return False


def _last_line(log: Path) -> str:
    """Return what a keeper told last, without its time."""
    try:
        lines = log.read_text("utf-8", errors="replace").splitlines()
    except OSError:
        lines = []
    return printable(lines[-1].partition(" ")[2]) if lines else f"{log} is empty"


@contextlib.contextmanager
def _interruptible() -> Iterator[None]:
    """Let SIGTERM do what Ctrl-C does, in a wait for the keeper without a screen.

    A shell has SIGINT ignored for what it starts in the background; SIGTERM must end
    the wait there, too.
    """

    def interrupt(number: int, frame: FrameType | None) -> None:  # noqa: ARG001
        signal.raise_signal(signal.SIGINT)

    ctrl_c = signal.getsignal(signal.SIGINT)
    if ctrl_c is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
        signal.signal(signal.SIGINT, ctrl_c)
