"""The screens as one application: which there are, and the ways between them."""

import asyncio
from contextlib import suppress
from functools import partial
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.filter import NoColor

from benchlog.clock import Clock, host_clock
from benchlog.control import Answer, file_of
from benchlog.errors import BenchlogError
from benchlog.model import Purpose, Run
from benchlog.screen import control_client as asking
from benchlog.screen.base import BenchScreen, run_beside
from benchlog.screen.control_client import Moment
from benchlog.screen.device_screen import DeviceScreen
from benchlog.screen.follow import Follower
from benchlog.screen.help import HelpScreen
from benchlog.screen.history import HistoryScreen
from benchlog.screen.live import LiveScreen
from benchlog.screen.next_device import may_be_followed
from benchlog.screen.overview import OverviewScreen
from benchlog.screen.palette import BENCH
from benchlog.screen.questions import AskLeave, Question
from benchlog.screen.rack.rack_screen import RackScreen
from benchlog.screen.run_status import RunStatus
from benchlog.screen.screen_host import (
    ScreenHost,
    ScreenOptions,
    ScreenOutcome,
)
from benchlog.screen.sibling_runs import SiblingRuns, still_going
from benchlog.store.reader import Reader
from benchlog.units import printable


class BenchApp(ScreenHost):
    """Live screen, history, help and the question for the device."""

    CSS_PATH: ClassVar = ["bench.tcss", "live.tcss", "lists.tcss"]
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "question_mark,f1", "help", "help", key_display="?", tooltip="this page"
        ),
        Binding("q", "leave", "quit", tooltip="leave the screen; Ctrl-C does the same"),
        Binding("ctrl+q", "leave", "quit", show=False, tooltip="leave the screen"),
        Binding("ctrl+c", "interrupt", "quit", show=False),
    ]

    def __init__(self, opening: ScreenOptions, clock: Clock | None = None) -> None:
        super().__init__()
        if self.no_color:  # Textual's own way is shades of grey, which are colours
            self._filters = [NoColor()]
            self.add_class("-plain")
        self.register_theme(BENCH)
        self.theme = BENCH.name
        self.title = "benchlog"
        self.database = opening.database
        self.file = file_of(opening.database)
        self.bell_on = opening.bell
        self.alarms_ring = True
        self.look_only = opening.look_only
        self._opening = opening
        self._clock = clock or host_clock()
        self.own = opening.run
        """The run this screen answers for; of several the one that is shown."""
        self.beside = SiblingRuns(opening.database)
        self._owns = [] if self.own is None else [self.own, *opening.beside]
        self._as_begun: dict[int, Run] = {}

    def on_mount(self) -> None:
        """Show what was asked for."""
        if self._opening.start is not None:
            self.push_screen(DeviceScreen(self._opening.start))
        elif self.own is not None:
            self.push_screen(self._first(self.own))
        else:
            self.push_screen(HistoryScreen(self.database))

    def _first(self, run_id: int) -> BenchScreen:
        """Return what is shown first: of several positions all, of a rack the rack."""
        if self._is_of_rack(run_id):
            return RackScreen(self.database, run_id)
        if not self._opening.beside:
            return self._live(run_id)
        with Reader.open(self.database) as reader:
            return OverviewScreen(reader.run(run_id), self._follower)

    def _is_of_rack(self, run_id: int) -> bool:
        with Reader.open(self.database) as reader:
            return reader.run(run_id).made_for is Purpose.QUALIFY

    def _live(self, run_id: int, last: RunStatus | None = None) -> LiveScreen:
        return LiveScreen(self._follower(run_id), last)

    def _follower(self, run_id: int) -> Follower:
        return Follower(self.database, run_id, self._clock)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer no key of the application while keys are text of a device's id."""
        typing = isinstance(self.screen, LiveScreen) and self.screen.is_typing
        if typing and action in ("help", "leave", "history"):
            return False
        return super().check_action(action, parameters)

    # --- ways between the screens ----------------------------------------------------

    def open_own(self, run_id: int) -> None:
        """Show the run that this screen answers for from now on."""
        self.own, self._owns = run_id, [run_id]
        self.switch_screen(self._live(run_id))

    def open_run(self, run_id: int) -> None:
        """Show a run of the history; the history lies underneath."""
        if self._lies_under(run_id):
            self.pop_screen()
            return
        try:
            self.push_screen(self._live(run_id))
        except BenchlogError as error:
            self.say(str(error))

    def show_beside(self, shown: int, other: int) -> None:
        """Show the run at another position in place of the one that is shown."""
        try:
            screen = self._live(other)
        except BenchlogError as error:
            self.say(str(error))
            return
        if shown == self.own:
            self.own = other
        self.switch_screen(screen)

    def look_closer(self, run_id: int) -> None:
        """Show one run by itself; the overview of all positions lies underneath."""
        try:
            live = self._live(run_id)
        except BenchlogError as error:
            self.say(str(error))
            return
        if run_id in self._owns:
            self.own = run_id
        self.push_screen(live)

    def show_overview(self, run: Run) -> None:
        """Show all positions beside a run; one that lies underneath comes back."""
        if any(isinstance(screen, OverviewScreen) for screen in self.screen_stack):
            while not isinstance(self.screen, OverviewScreen):
                self.pop_screen()
        else:
            self.switch_screen(OverviewScreen(run, self._follower))

    def _lies_under(self, run_id: int) -> bool:
        under = self.screen_stack[-2] if len(self.screen_stack) > 1 else None
        return isinstance(under, LiveScreen) and under.follower.run.id == run_id

    def follow_on(self, run_id: int, following: int, *, again: bool) -> None:
        """Go on to the run that was begun after another; `again`: in its place."""
        if run_id == self.own:
            self.own = following
        if again:
            self._owns = [following if one == run_id else one for one in self._owns]
        elif run_id in self._owns:
            self._owns.append(following)
        self.switch_screen(self._live(following))

    # --- one device after the other --------------------------------------------------

    def may_be_followed(self, run: Run) -> bool:
        """Whether the next device may follow this run, which has ended."""
        mine = run.id in self._owns and not self.look_only
        return (
            mine
            and not run.open
            and self._opening.next_run is not None
            and may_be_followed(run)
            and all(one.id == run.id for one in self._at(run.position)[-1:])
        )

    def _at(self, position: str) -> list[Run]:
        return [run for run in self._begun() if run.position == position]

    async def begin_next(self, last: RunStatus, device: str) -> None:
        """Begin the next device's run where `last` has ended, and show it.

        Raises BenchlogError when it cannot be begun.
        """
        start, position = self._opening.next_run, last.run.position
        if start is None:
            raise BenchlogError("no device can follow on this screen")
        begun: object = None
        for other in self._going():  # its keeper has the instruments in its hands
            answer = await self.ask(other, "device", device, position=position)
            if not answer.ok:
                raise BenchlogError(answer.error or "the keeper gave no reason")
            begun = answer.data.get("run")
            break
        following = (
            begun
            if isinstance(begun, int)
            else await asyncio.to_thread(start, position, device)
        )
        if last.run.id == self.own:
            self.own = following
        self._owns.append(following)
        self.switch_screen(self._live(following, last))

    async def ask(
        self,
        run: Run,
        do: str,
        text: str = "",
        at: Moment | None = None,
        *,
        position: str = "",
    ) -> Answer:
        """Ask the keeper of a run for something; refused where one may only look on.

        No key is offered then that leads here; this holds should one be forgotten.
        """
        if self.look_only:
            return Answer(ok=False, error="this screen may only look on")
        return await asking.ask(
            self.database, run, do, text, at, position=position, file=self.file
        )

    def sitting(self) -> list[Run]:
        """Return the runs this screen answers for, as they stand; of one alone none."""
        if len(self._owns) < 2:
            return []
        try:
            with Reader.open(self.database) as reader:
                return [reader.run(run_id) for run_id in self._owns]
        except BenchlogError:
            return []  # the live screen says what is wrong with the database

    def _begun(self) -> list[Run]:
        """Return the runs this screen answers for as they were begun.

        Where a run is measured does not change, and keys ask often: each is read once.
        """
        unread = [run_id for run_id in self._owns if run_id not in self._as_begun]
        if unread:
            with suppress(BenchlogError), Reader.open(self.database) as reader:
                self._as_begun |= {run_id: reader.run(run_id) for run_id in unread}
        return [self._as_begun[one] for one in self._owns if one in self._as_begun]

    def positions(self, run: Run) -> tuple[Run, ...]:
        """Return the newest run at each position beside this one, as it was begun."""
        mine = run.id in self._owns and not self._opening.onlooker
        several = mine and len(self._owns) > 1
        newest = {one.position: one for one in self._begun()} if several else {}
        return tuple(newest.values()) if len(newest) > 1 else self.beside.of(run)

    def action_history(self) -> None:
        """List all runs; a list that lies underneath comes back as it was left."""
        if any(isinstance(screen, HistoryScreen) for screen in self.screen_stack):
            while not isinstance(self.screen, HistoryScreen):
                self.pop_screen()
        else:
            self.push_screen(HistoryScreen(self.database))

    def action_help(self) -> None:
        """Explain keys and figures."""
        if not isinstance(self.screen, HelpScreen):
            self.push_screen(HelpScreen(self.screen))

    def say(self, text: str) -> None:
        """Say something on the screen that is shown."""
        if isinstance(self.screen, LiveScreen):
            self.screen.say(text)
        else:
            self.notify(printable(text), markup=False)

    # --- leaving ---------------------------------------------------------------------

    def action_quit_now(self) -> None:
        """Leave; nothing is running that could be lost."""
        self.exit(self.outcome_now())

    def action_leave(self) -> None:
        """Leave, after asking what becomes of runs that are still going."""
        if not self.screen.check_action("leave", ()):
            return  # a run is just being started
        going = self._going()
        if not going:
            self.action_quit_now()
            return

        def answered(answer: str | None) -> None:
            verb = {"stop": "stop", "leave": "keep-going"}.get(answer or "")
            if verb:
                run_beside(self, partial(self._leave, verb))

        again = f"`benchlog watch {going[0].id}` shows it again."
        self.push_screen(AskLeave(still_going(going), f"What now? {again}"), answered)

    def action_interrupt(self) -> None:
        """Do what Esc does in a question, else what `q` does: Ctrl-C loses nothing."""
        if isinstance(self.screen, Question):
            self.screen.action_answer("")
        else:
            self.action_leave()

    async def _leave(self, verb: str) -> None:
        for run in self._going():
            answer = await self.ask(run, verb)
            if not answer.ok and any(run.id == one.id for one in self._going()):
                self.say(f"not done: {answer.error}")
                return
        stopped = verb == "stop"
        self.exit(self.outcome_now(stopped=stopped, left_running=not stopped))

    def leave_now(self) -> None:
        """Leave without a question: somebody has sent a signal to end the program."""
        self.exit(self.outcome_now())

    def outcome_now(
        self, *, stopped: bool = False, left_running: bool = False
    ) -> ScreenOutcome:
        """Return how the screen is left if it is left now."""
        several = tuple(self._owns) if len(self._owns) > 1 else ()
        return ScreenOutcome(self.own, stopped, left_running, several)

    def _going(self) -> list[Run]:
        """Return the runs this screen answers for that are still going."""
        if self._opening.onlooker or not self._owns or self._keeper_is_gone():
            return []
        try:
            with Reader.open(self.database) as reader:
                runs = [reader.run(run_id) for run_id in self._owns]
        except BenchlogError as error:
            self.say(str(error))
            return []
        return [run for run in runs if run.open]

    def _keeper_is_gone(self) -> bool:
        views = [
            screen
            for screen in self.screen_stack
            if isinstance(screen, OverviewScreen | RackScreen)
        ]
        return any(view.keeper_is_gone for view in views) or any(
            isinstance(screen, LiveScreen)
            and screen.follower.run.id in self._owns
            and screen.follower.keeper.state == "gone"
            for screen in self.screen_stack
        )
