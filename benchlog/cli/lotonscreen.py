"""A lot on its screen, with the keeper beside it."""

from contextlib import closing
from pathlib import Path

from benchlog.cli.onscreen import interruptible
from benchlog.recorder.lotbook import Task
from benchlog.recorder.lotlaunch import launch_lot
from benchlog.screen.inspection.app import run_inspection
from benchlog.screen.inspection.lot_screen import LotOnScreen


def inspect_on_screen(task: Task, database: Path, *, bell: bool) -> None:
    """Start the lot's keeper, show the lot until the person leaves, end the keeper.

    Raises what prevents the start: InstrumentError, BusyError, StoreError.
    """
    with closing(launch_lot(task, database)) as launched, interruptible():
        run_inspection(LotOnScreen(database, task.lot, launched.control, bell))
