"""A run looked at closely: its stability, its temperature law, its ageing."""

from pathlib import Path
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.content import Content

from benchlog.model import Run
from benchlog.screen.studies import KINDS, VIEWS, Study, study
from benchlog.screen.worked import KEYS, WorkedScreen, simulated_tag
from benchlog.units import printable


class StudyScreen(WorkedScreen):
    """One view of a run at a time."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("v", "view", "next view", tooltip="stability, temperature, ageing"),
        Binding(
            "d", "kind", "deviation", tooltip="which deviation: " + ", ".join(KINDS)
        ),
        *KEYS,
    ]
    views: ClassVar[tuple[str, ...]] = VIEWS

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
