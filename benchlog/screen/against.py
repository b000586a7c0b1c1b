"""Runs side by side on the screen."""

from collections.abc import Sequence
from pathlib import Path
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.content import Content

from benchlog.model import Run
from benchlog.screen.comparing import VIEWS, compared
from benchlog.screen.studies import Study
from benchlog.screen.worked import KEYS, WorkedScreen, simulated_tag
from benchlog.units import printable


class AgainstScreen(WorkedScreen):
    """Runs against the first of them: differences, courses, stability."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("v", "view", "next view", tooltip="course, stability"),
        *KEYS,
    ]
    views: ClassVar[tuple[str, ...]] = VIEWS

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
