"""What the screens may ask of the application that shows them, and how it is opened."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from textual.app import App

from benchlog.control import Answer
from benchlog.model import Run
from benchlog.screen.control_client import Moment
from benchlog.screen.run_status import RunStatus
from benchlog.screen.sibling_runs import SiblingRuns

NextRun = Callable[[str, str], int]
"""Starts a run at a position on a device, with the settings of the run before it there;
returns the run's id, raises BenchlogError. May take seconds."""


@dataclass(frozen=True, slots=True)
class ScreenOutcome:
    """How the screen was left.

    `run_id` is the run it was opened for, or the one that followed it; None when none
    was begun. `stopped`: the person ended it; `left_running`: asked to go on. `run_ids`
    are all of them when it was opened for several.
    """

    run_id: int | None = None
    stopped: bool = False
    left_running: bool = False
    run_ids: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenOptions:
    """What the application is opened with.

    `start` starts a run on a device whose id is asked for first. An `onlooker` leaves a
    run as it is, without being asked what is to become of it; with `look_only` no key
    changes anything either. `beside` are runs at other positions of the same keeper
    that the screen answers for, too. `next_run` starts the run that follows one that
    has ended; without it no device follows.
    """

    database: Path
    run: int | None = None
    start: Callable[[str], int] | None = None
    bell: bool = False
    onlooker: bool = False
    look_only: bool = False
    beside: tuple[int, ...] = ()
    next_run: NextRun | None = None


class ScreenHost(App[ScreenOutcome]):
    """The application as its screens know it; `BenchApp` builds it.

    `database` is the file shown and `file` what tells it from another that takes its
    name (`control.file_of`), `beside` the runs at other positions; `bell_on` and
    `alarms_ring` are what the person chose; with `look_only` no key changes a run.
    """

    database: Path
    file: str
    beside: SiblingRuns
    bell_on: bool
    alarms_ring: bool
    look_only: bool

    def open_own(self, run_id: int) -> None:
        """Show the run that this screen answers for from now on."""
        raise NotImplementedError

    def open_run(self, run_id: int) -> None:
        """Show a run of the history; the history lies underneath."""
        raise NotImplementedError

    def show_beside(self, shown: int, other: int) -> None:
        """Show the run at another position in place of the one that is shown."""
        raise NotImplementedError

    def follow_on(self, run_id: int, following: int, *, again: bool) -> None:
        """Go on to the run that was begun after another; `again`: in its place."""
        raise NotImplementedError

    def may_be_followed(self, run: Run) -> bool:
        """Whether the next device may follow this run, which has ended."""
        raise NotImplementedError

    async def begin_next(self, last: RunStatus, device: str) -> None:
        """Begin the next device's run where `last` has ended, and show it.

        Raises BenchlogError when it cannot be begun.
        """
        raise NotImplementedError

    async def ask(
        self,
        run: Run,
        do: str,
        text: str = "",
        at: Moment | None = None,
        *,
        position: str = "",
    ) -> Answer:
        """Ask the keeper of a run for something; refused where one may only look on."""
        raise NotImplementedError

    def sitting(self) -> list[Run]:
        """Return the runs this screen answers for, as they stand; of one alone none.

        They are in the order they were begun.
        """
        raise NotImplementedError

    def positions(self, run: Run) -> tuple[Run, ...]:
        """Return the newest run at each position beside this one, as it was begun.

        Itself included. Empty when there is no more than one position.
        """
        raise NotImplementedError

    def look_closer(self, run_id: int) -> None:
        """Show one run by itself; the overview of all positions lies underneath."""
        raise NotImplementedError

    def show_overview(self, run: Run) -> None:
        """Show all positions beside a run."""
        raise NotImplementedError

    def say(self, text: str) -> None:
        """Say something on the screen that is shown."""
        raise NotImplementedError

    def action_quit_now(self) -> None:
        """Leave; nothing is running that could be lost."""
        raise NotImplementedError
