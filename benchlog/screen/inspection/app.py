"""The application around a lot's screen."""

from typing import ClassVar

from textual.app import App

from benchlog.errors import BenchlogError
from benchlog.screen.end_signals import run_until_left
from benchlog.screen.inspection.lot_screen import LotOnScreen, LotScreen
from benchlog.screen.palette import BENCH
from benchlog.units import printable


class LotApp(App[None]):
    """The screen of one lot."""

    CSS_PATH: ClassVar = ["../bench.tcss", "../lists.tcss", "inspection.tcss"]
    ENABLE_COMMAND_PALETTE = False

    def __init__(self, bench: LotOnScreen) -> None:
        super().__init__()
        self.register_theme(BENCH)
        self.theme = BENCH.name
        self.title = "benchlog"
        self._bench = bench

    def on_mount(self) -> None:
        """Show the lot."""
        self.push_screen(LotScreen(self._bench))


def run_inspection(bench: LotOnScreen) -> None:
    """Show a lot until the person leaves; blocks. Raises BenchlogError if it breaks."""
    app = LotApp(bench)
    _, broken = run_until_left(app, app.exit)
    if broken:
        raise BenchlogError(
            "the screen broke down; what was measured is kept, "
            f"`benchlog {bench.purpose} --lot {printable(bench.lot.lot)}` goes on"
        )
