"""All positions at once: offset and verdict of each, and a key to go into it."""

from collections.abc import Callable, Iterable, Sequence
from typing import ClassVar, Final

from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.widget import Widget

from benchlog.errors import BenchlogError
from benchlog.evaluation.brief_wording import limit_text
from benchlog.model import Run
from benchlog.screen import control_client as asking
from benchlog.screen import figures, panels
from benchlog.screen.base import BenchScreen, run_beside
from benchlog.screen.follow import Follower
from benchlog.screen.run_status import RunStatus
from benchlog.screen.screen_host import ScreenHost
from benchlog.screen.widgets.text import LargeFigure, PlainText, TwoEnds, Verdict
from benchlog.units import printable

_TICK_S: Final = 0.5
_HEAR_S: Final = 2.0
_BY_KEY: Final = 9
_LARGE_ROWS: Final = 6
"""Rows that a position takes with its offset in large figures; else it takes two."""


class PositionPanel(Vertical):
    """One position: who is in it, what it does, offset with U, and the verdict."""

    def __init__(self, number: int) -> None:
        super().__init__(classes="place")
        self._number = number

    def compose(self) -> Iterable[Widget]:
        """Return the line with the device over the figures."""
        yield TwoEnds()
        yield Horizontal(
            LargeFigure(), PlainText(classes="beside"), Verdict(), classes="head"
        )
        yield PlainText(classes="brief")

    def show(self, status: RunStatus, *, width: int, large: bool) -> None:
        """Show how the run at this position stands."""
        run, a = status.run, status.assessment
        who = Content.assemble(
            (f" {self._number} ", "reverse"),
            ("  position ", "$dim"),
            (printable(run.position), "bold"),
            ("  device ", "$dim"),
            (printable(run.device), "bold"),
            (f"  run {run.id}", "$dim"),
        )
        self.query_one(TwoEnds).show(who, panels.state(status)[0])
        self.set_class(not large, "-brief")
        word, style, _ = panels.verdict(status)
        if large:
            room = panels.room_for_figure(width)
            self.query_one(LargeFigure).show(panels.number(status), room)
            self.query_one(".beside", PlainText).show(panels.beside(status))
            self.query_one(Verdict).show(*panels.verdict(status))
            return
        unit, u, _ = figures.beside_offset(a, run.nominal_hz, status.live)
        said = f"    {panels.number(status):>12} {u} {unit.split()[0]}   "
        limit = "" if a is None else f"   {limit_text(a)}"
        self.query_one(".brief", PlainText).show(
            Content.assemble(said, (f" {word} ", style), (limit, "$dim"))
        )


class OverviewScreen(BenchScreen):
    """The newest run at each position."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "1",
            "go(1)",
            "look closer",
            key_display="1 2 ...",
            tooltip="show one position by itself; Esc comes back",
        ),
        *(
            Binding(str(n), f"go({n})", "look closer", show=False)
            for n in range(2, _BY_KEY + 1)
        ),
        Binding("h", "app.history", "history", tooltip="all runs of this database"),
        Binding("escape", "back", "back", key_display="Esc"),
    ]
    app: ScreenHost

    def __init__(self, run: Run, open_follower: Callable[[int], Follower]) -> None:
        super().__init__()
        self._run, self._open = run, open_follower
        self._followers: list[Follower] = []

    def content(self) -> Iterable[Widget]:
        """Return the head and room for the positions."""
        yield TwoEnds(id="overview-head")
        yield Vertical(id="places")

    async def on_mount(self) -> None:
        """Look twice a second."""
        await self._tick()
        self.set_interval(_TICK_S, self._tick)
        self.set_interval(_HEAR_S, self._hear)
        self._hear()

    def on_unmount(self) -> None:
        """Let go of the database."""
        self._let_go()

    def _let_go(self) -> None:
        for follower in self._followers:
            follower.close()
        self._followers = []

    def _hear(self) -> None:
        run_beside(self, self._listen, group="hear", exclusive=True)

    async def _listen(self) -> None:
        """Ask each keeper once how its runs stand."""
        for follower in list(self._followers):
            keeper = await asking.hear(self.app.database, follower.run, self.app.file)
            follower.heard(keeper)
            self.app.beside.heard(follower.run.control, keeper)

    async def _tick(self) -> None:
        """Take in what is new, also another run at a position."""
        runs = self.app.positions(self._run) or (self._run,)
        if [run.id for run in runs] != [one.run.id for one in self._followers]:
            await self._follow(runs)
        for follower in self._followers:
            follower.tick()
            follower.assess()
        self._show()

    async def _follow(self, runs: Sequence[Run]) -> None:
        self._let_go()
        try:
            self._followers = [self._open(run.id) for run in runs]
        except BenchlogError as error:
            self.app.say(str(error))
            return
        places = self.query_one("#places", Vertical)
        await places.remove_children()
        await places.mount_all(PositionPanel(n + 1) for n in range(len(runs)))
        self.refresh_bindings()

    @property
    def keeper_is_gone(self) -> bool:
        """Whether nobody keeps a run that is still open."""
        return any(one.keeper.state == "gone" for one in self._followers)

    def _show(self) -> None:
        if not self.has_widgets:
            return
        shown = list(self.query(PositionPanel))
        if self._followers:
            first = self._followers[0].standing()
            head = f"all positions · bench {first.run.bench} · {first.run.part.id}"
            tag = "SIMULATED" if figures.who_simulates(first) else ""
            sign = Content.styled(f" {tag} ", "reverse") if tag else Content("")
            said = Content.styled(printable(head), "$dim")
            self.query_one("#overview-head", TwoEnds).show(said, sign)
        room = self.query_one("#places").size.height
        large = room >= _LARGE_ROWS * max(1, len(shown))
        for panel, follower in zip(shown, self._followers, strict=False):
            panel.show(follower.standing(), width=self.size.width, large=large)

    def on_resize(self) -> None:
        """Use the room there is now."""
        self.call_after_refresh(self._show)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer the positions there are."""
        if action == "go":
            number = parameters[0]
            return isinstance(number, int) and number <= len(self._followers)
        return super().check_action(action, parameters)

    def action_go(self, number: int) -> None:
        """Show the run at a position by itself; Esc comes back here."""
        self.app.look_closer(self._followers[number - 1].run.id)
