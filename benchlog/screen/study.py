"""A run looked at closely: its stability, its temperature law, its ageing."""

import asyncio
from collections.abc import Iterable
from pathlib import Path
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.widget import Widget

from benchlog.errors import BenchlogError
from benchlog.model import Run
from benchlog.screen.base import BenchScreen
from benchlog.screen.house import House
from benchlog.screen.studies import KINDS, VIEWS, Study, study
from benchlog.screen.widgets.graphview import GraphView
from benchlog.screen.widgets.parts import TwoEnds
from benchlog.screen.widgets.plain import Plain
from benchlog.units import printable


class StudyScreen(BenchScreen):
    """One view of a run at a time, worked out beside the screen."""

    CSS_PATH: ClassVar = "study.tcss"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("v", "view", "next view", tooltip="stability, temperature, ageing"),
        Binding(
            "d", "kind", "deviation", tooltip="which deviation: " + ", ".join(KINDS)
        ),
        Binding("t", "table", "table/chart", tooltip="figures instead of the chart"),
        Binding("u", "update", "update", tooltip="take in what was read since"),
        Binding("down", "scroll(1)", "move", show=False),
        Binding("up", "scroll(-1)", "move", show=False),
        Binding("escape", "back", "back", key_display="Esc"),
    ]
    app: House

    def __init__(self, database: Path, run: Run) -> None:
        super().__init__()
        self._database, self._run = database, run
        self._view, self._kind = VIEWS[0], KINDS[0]
        self._as_table = False
        self._study: Study | None = None

    def content(self) -> Iterable[Widget]:
        """Return the head, the graphs over one another, the table, what is said."""
        yield TwoEnds(id="who")
        yield Plain(id="study-head")
        yield Vertical(GraphView(id="above"), GraphView(id="below"), id="graphs")
        yield VerticalScroll(Plain(id="table"), id="figures", can_focus=False)
        yield Plain(id="said")

    def on_mount(self) -> None:
        """Say whose this is, and begin with the first view."""
        run = self._run
        left = Content.assemble(("device ", "$dim"), (printable(run.device), "bold"))
        tag = Content.styled(" SIMULATED ", "reverse") if run.simulated else Content("")
        self.query_one("#who", TwoEnds).show(left, tag)
        self._begin()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer the kinds of deviation only where one is shown."""
        if action == "kind":
            return self._view == "stability"
        return super().check_action(action, parameters)

    def action_view(self) -> None:
        """Go on to the next view."""
        self._view = VIEWS[(VIEWS.index(self._view) + 1) % len(VIEWS)]
        self.refresh_bindings()
        self._begin()

    def action_kind(self) -> None:
        """Go on to the next kind of deviation."""
        self._kind = KINDS[(KINDS.index(self._kind) + 1) % len(KINDS)]
        self._begin()

    def action_table(self) -> None:
        """Show the figures instead of the chart, or the chart again."""
        self._as_table = not self._as_table
        self._show()

    def action_update(self) -> None:
        """Work it out again from all readings there are now."""
        self._begin()

    def action_scroll(self, lines: int) -> None:
        """Move through a table longer than the screen."""
        table = self.query_one("#figures", VerticalScroll)
        table.scroll_relative(y=lines, animate=False)

    def _begin(self) -> None:
        self._study = None
        self._show()
        self.run_worker(self._work(), group="study", exclusive=True)

    async def _work(self) -> None:
        """Work the view out in a thread; one that was left for another is dropped."""
        asked = (self._database, self._run.id, self._view, self._kind)
        try:
            self._study = await asyncio.to_thread(study, *asked)
        except BenchlogError as error:
            self._study = Study(self._view, said=(str(error),))
        self._show()

    def _show(self) -> None:
        found = self._study or Study(f"{self._view}: being worked out ...")
        self.query_one("#study-head", Plain).show(printable(found.head))
        graphs = (*found.graphs, None, None)
        for name, graph in zip(("#above", "#below"), graphs, strict=False):
            view = self.query_one(name, GraphView)
            view.show(graph)
            view.set_class(graph is None and name == "#below", "absent")
        self.query_one("#table", Plain).show("\n".join(map(printable, found.table)))
        self.query_one("#graphs").display = not self._as_table
        self.query_one("#figures").display = self._as_table
        self.query_one("#said", Plain).show("\n".join(map(printable, found.said)))
