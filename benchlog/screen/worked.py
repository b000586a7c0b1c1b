"""A screen whose content is worked out in a thread: graphs, a table, sentences."""

import asyncio
from collections.abc import Iterable
from typing import ClassVar, Final

from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.widget import Widget

from benchlog.errors import BenchlogError
from benchlog.screen.base import BenchScreen
from benchlog.screen.figures import signs
from benchlog.screen.house import House
from benchlog.screen.studies import Study
from benchlog.screen.widgets.graphview import GraphView
from benchlog.screen.widgets.parts import TwoEnds
from benchlog.screen.widgets.plain import Plain
from benchlog.units import printable

KEYS: Final[tuple[BindingType, ...]] = (
    Binding("t", "table", "table/chart", tooltip="figures instead of the chart"),
    Binding("u", "update", "update", tooltip="take in what was read since"),
    Binding("down", "scroll(1)", "move", show=False),
    Binding("up", "scroll(-1)", "move", show=False),
    Binding("escape", "back", "back", key_display="Esc"),
)
"""Keys of every such screen; the subclass has them behind its own."""


class WorkedScreen(BenchScreen):
    """One view at a time; the subclass says what of, and works it out."""

    CSS_PATH: ClassVar = "study.tcss"
    app: House
    views: ClassVar[tuple[str, ...]]

    def __init__(self) -> None:
        super().__init__()
        self.view = self.views[0]
        self._as_table = False
        self._study: Study | None = None

    def who(self) -> tuple[Content, Content]:
        """Return what stands at both ends of the first line."""
        raise NotImplementedError

    def work(self) -> Study:
        """Work the view out, in a thread. Raises BenchlogError."""
        raise NotImplementedError

    def content(self) -> Iterable[Widget]:
        """Return the head, the graphs over one another, the table, what is said."""
        yield TwoEnds(id="who")
        yield Plain(id="study-head")
        yield Vertical(GraphView(id="above"), GraphView(id="below"), id="graphs")
        yield VerticalScroll(Plain(id="table"), id="figures", can_focus=False)
        yield Plain(id="said")

    def on_mount(self) -> None:
        """Say whose this is, and begin with the first view."""
        self.query_one("#who", TwoEnds).show(*self.who())
        self.begin()

    def action_view(self) -> None:
        """Go on to the next view."""
        self.view = self.views[(self.views.index(self.view) + 1) % len(self.views)]
        self.refresh_bindings()
        self.begin()

    def action_table(self) -> None:
        """Show the figures instead of the chart, or the chart again."""
        self._as_table = not self._as_table
        self._show()

    def action_update(self) -> None:
        """Work it out again from all readings there are now."""
        self.begin()

    def action_scroll(self, lines: int) -> None:
        """Move through a table longer than the screen."""
        table = self.query_one("#figures", VerticalScroll)
        table.scroll_relative(y=lines, animate=False)

    def begin(self) -> None:
        """Work the view out; one that was left for another is dropped."""
        self._study = None
        self._show()
        self.run_worker(self._work(), group="study", exclusive=True)

    async def _work(self) -> None:
        view = self.view
        try:
            self._study = await asyncio.to_thread(self.work)
        except BenchlogError as error:
            self._study = Study(view, said=(str(error),))
        self._show()

    def _show(self) -> None:
        found = self._study or Study(f"{self.view}: being worked out ...")
        self.query_one("#study-head", Plain).show(printable(found.head))
        graphs = (*found.graphs, None, None)
        for name, graph in zip(("#above", "#below"), graphs, strict=False):
            view = self.query_one(name, GraphView)
            view.show(graph)
            view.set_class(graph is None and name == "#below", "absent")
        self.query_one("#table", Plain).show("\n".join(map(printable, found.table)))
        self.query_one("#graphs").display = not self._as_table
        self.query_one("#figures").display = self._as_table
        self.query_one("#said", Plain).show("\n".join(map(_sentence, found.said)))


def _sentence(text: str) -> str:
    return signs(printable(text))


def simulated_tag(is_simulated: bool) -> Content:
    """Return the tag of simulated data, or nothing."""
    return Content.styled(" SIMULATED ", "reverse") if is_simulated else Content("")
