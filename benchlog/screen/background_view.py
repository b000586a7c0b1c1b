"""Views worked out in a thread: a study of one run, a comparison of several."""

import asyncio
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import ClassVar, Final

from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.widget import Widget

from benchlog.errors import BenchlogError
from benchlog.evaluation.brief_wording import signs
from benchlog.model import Run
from benchlog.screen.base import BenchScreen, run_beside
from benchlog.screen.comparison import COMPARISON_VIEWS, compared
from benchlog.screen.screen_host import ScreenHost
from benchlog.screen.study import (
    KINDS,
    STUDY_VIEWS,
    Study,
    study,
)
from benchlog.screen.widgets.charts import GraphView
from benchlog.screen.widgets.text import PlainText, TwoEnds
from benchlog.units import printable

KEYS: Final[tuple[BindingType, ...]] = (
    Binding("t", "table", "table/chart", tooltip="figures instead of the chart"),
    Binding("u", "update", "update", tooltip="take in what was read since"),
    Binding("down", "scroll(1)", "move", show=False),
    Binding("up", "scroll(-1)", "move", show=False),
    Binding("escape", "back", "back", key_display="Esc"),
)
"""Keys of every such screen; the subclass has them behind its own."""


class BackgroundView(BenchScreen):
    """One view at a time; the subclass says what of, and works it out."""

    CSS_PATH: ClassVar = "study.tcss"
    app: ScreenHost
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
        yield PlainText(id="study-head")
        yield Vertical(GraphView(id="above"), GraphView(id="below"), id="graphs")
        yield VerticalScroll(PlainText(id="table"), id="figures", can_focus=False)
        yield PlainText(id="said")

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
        run_beside(self, self._work, group="study", exclusive=True)

    async def _work(self) -> None:
        view = self.view
        try:
            self._study = await asyncio.to_thread(self.work)
        except BenchlogError as error:
            self._study = Study(view, said=(str(error),))
        self._show()

    def _show(self) -> None:
        found = self._study or Study(f"{self.view}: computing ...")
        self.query_one("#study-head", PlainText).show(printable(found.head))
        graphs = (*found.graphs, None, None)
        for name, graph in zip(("#above", "#below"), graphs, strict=False):
            view = self.query_one(name, GraphView)
            view.show(graph)
            view.set_class(graph is None and name == "#below", "absent")
        self.query_one("#table", PlainText).show("\n".join(map(printable, found.table)))
        self.query_one("#graphs").display = not self._as_table
        self.query_one("#figures").display = self._as_table
        self.query_one("#said", PlainText).show("\n".join(map(_sentence, found.said)))


def _sentence(text: str) -> str:
    return signs(printable(text))


def simulated_tag(is_simulated: bool) -> Content:
    """Return the tag of simulated data, or nothing."""
    return Content.styled(" SIMULATED ", "reverse") if is_simulated else Content("")


# --- a run looked at closely: its stability, its temperature law, its ageing


class StudyScreen(BackgroundView):
    """One view of a run at a time."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("v", "view", "next view", tooltip="stability, temperature, ageing"),
        Binding(
            "d", "kind", "deviation", tooltip="which deviation: " + ", ".join(KINDS)
        ),
        *KEYS,
    ]
    views: ClassVar[tuple[str, ...]] = STUDY_VIEWS

    def __init__(self, database: Path, run: Run) -> None:
        super().__init__()
        self._database, self._run = database, run
        self._kind = KINDS[0]

    def who(self) -> tuple[Content, Content]:
        """Return the device."""
        name = Content.assemble(
            ("device ", "$dim"), (printable(self._run.device), "bold")
        )
        return name, simulated_tag(self._run.simulated)

    def work(self) -> Study:
        """Work the view out."""
        return study(self._database, self._run.id, self.view, self._kind)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer the kinds of deviation only where one is shown."""
        if action == "kind":
            return self.view == "stability"
        return super().check_action(action, parameters)

    def action_kind(self) -> None:
        """Go on to the next kind of deviation."""
        self._kind = KINDS[(KINDS.index(self._kind) + 1) % len(KINDS)]
        self.begin()


# --- runs side by side on the screen


class ComparisonScreen(BackgroundView):
    """Runs against the first of them: differences, courses, stability."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("v", "view", "next view", tooltip="course, stability"),
        *KEYS,
    ]
    views: ClassVar[tuple[str, ...]] = COMPARISON_VIEWS

    def __init__(self, database: Path, runs: Sequence[Run]) -> None:
        super().__init__()
        self._database, self._runs = database, tuple(runs)

    def who(self) -> tuple[Content, Content]:
        """Return the devices."""
        names = [(printable(run.device), "bold") for run in self._runs]
        parts: list[str | tuple[str, str]] = [("devices ", "$dim"), names[0]]
        for name in names[1:]:
            parts += [(", ", "$dim"), name]
        return Content.assemble(*parts), simulated_tag(
            any(run.simulated for run in self._runs)
        )

    def work(self) -> Study:
        """Work the view out."""
        return compared(self._database, [run.id for run in self._runs], self.view)
