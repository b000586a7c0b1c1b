"""Carrying an inspection out: in lines from a list of ids, or on its screen."""

import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Final

from benchlog.cli.narrator import Narrator
from benchlog.cli.printing import (
    in_terminal,
    print_json,
    print_text,
    say,
)
from benchlog.cli.tasks.id_files import octets_of
from benchlog.cli.tasks.lot_opening import Wish, known_lot, task_for
from benchlog.cli.tasks.lot_text import text_of_lot
from benchlog.clock import host_clock
from benchlog.errors import UsageError
from benchlog.evaluation.lot_document import lot_document
from benchlog.evaluation.lots import lot_with_runs
from benchlog.model import EventKind, Lot
from benchlog.recorder.lot.device_ids import Ids
from benchlog.recorder.lot.lot_book import Task
from benchlog.recorder.lot.lot_inspection import inspect_lot, launch_lot
from benchlog.recorder.notice import RunNotice
from benchlog.screen.inspection.app import run_inspection
from benchlog.screen.inspection.lot_screen import LotOnScreen
from benchlog.store.opening import fold_log
from benchlog.store.reader import Reader
from benchlog.verdict.lot.lot_decision import LotResult
from benchlog.verdict.lot.lot_report import LotReport
from benchlog.verdict.lot.sampling_plan import describe_plan

__all__ = ["Wish", "carry_out"]

EXIT_CODES: Final = {LotResult.ACCEPTED: 0, LotResult.REJECTED: 3, LotResult.OPEN: 4}
_MOST_OF_IDS: Final = 10_000_000  # octets; our rule: a million ids
_QUIET: Final = {EventKind.STARTED, EventKind.ENDED, EventKind.SETTLED}


def carry_out(
    wish: Wish,
    database: Path,
    *,
    as_json: bool,
    no_screen: bool,
    bell: bool,
    result: bool,
) -> int:
    """Inspect the lot, print how it stands, return the exit code."""
    if result:
        return report(database, known_lot(database, wish), as_json=as_json)
    listed = wish.ids is not None
    shown = not (as_json or no_screen or listed) and in_terminal()
    if not shown and not listed and wish.auto_ids is None:
        raise UsageError(
            "without a screen ids come from --ids FILE, from standard input with "
            "--ids -, or the devices are numbered with --auto-ids PREFIX"
        )
    if listed and wish.auto_ids is not None:
        raise UsageError("give --ids or --auto-ids: a device has one id")
    task = task_for(wish, database)
    assert task.plan is not None  # nothing is inspected without one
    for line in describe_plan(task.plan).splitlines():
        say(line)
    if shown:
        inspect_on_screen(replace(task, watched=True), database, bell=bell)
    else:
        in_lines(task, database, None if wish.ids is None else ids_from(wish.ids))
    return report(database, task.lot, as_json=as_json)


def in_lines(task: Task, database: Path, ids: Ids | None) -> None:
    """Inspect the devices of a list, or those that come to their places; in lines."""
    if ids is None:
        task = replace(task, watched=True, alone=True)
    with Narrator() as narrator:

        def tell(told: RunNotice) -> None:
            if line := _line_of(told):
                narrator.say(line)

        inspect_lot(task, database, host_clock(), tell=tell, ids=ids)


def ids_from(path: Path) -> Ids:
    """Return the ids of a file; `-` is standard input. Raises UsageError."""
    if str(path) == "-":
        return Ids(fd=sys.stdin.fileno())
    octets = octets_of(path, _MOST_OF_IDS)
    return Ids(octets.decode("utf-8", "backslashreplace").splitlines())


def _line_of(told: RunNotice) -> str:
    """Return what a person is told of what the keeper tells; empty for nothing."""
    if told.kind in ("waiting", "device"):
        return told.text
    if told.event is not None and told.event.kind not in _QUIET:
        return f"run {told.run_id}: {told.event.kind}: {told.event.text}"
    return ""


def report(database: Path, lot: Lot, *, as_json: bool) -> int:
    """Print how a lot stands on standard output; return the exit code."""
    found = report_of(database, lot)
    if as_json:
        print_json(lot_document(found), "lot")
    else:
        print_text(text_of_lot(found))
    return EXIT_CODES[found.standing.decision]


def report_of(database: Path, lot: Lot) -> LotReport:
    """Return the report of a lot as the database has it now."""
    with closing(Reader.open(database)) as reader:
        kept = next(iter(reader.lots(lot.lot, lot.part_id)), lot)
        return lot_with_runs(reader, kept)[0]


# --- a lot on its screen, with the keeper beside it


def inspect_on_screen(task: Task, database: Path, *, bell: bool) -> None:
    """Start the lot's keeper, show the lot until the person leaves, end the keeper.

    Raises what prevents the start: InstrumentError, BusyError, StoreError.
    """
    with closing(launch_lot(task, database)) as launched:
        run_inspection(LotOnScreen(database, task.lot, launched.control, bell))
    fold_log(database)
