"""A lot, device after device: the counter stays connected, the plan stays the lot's."""

import contextlib
import selectors
from dataclasses import replace
from pathlib import Path

from benchlog.clock import Clock
from benchlog.recorder.ids import Ids
from benchlog.recorder.locks import BenchLocks
from benchlog.recorder.loop import Surroundings
from benchlog.recorder.lotbook import Task
from benchlog.recorder.lotkeeper import LotKeeper
from benchlog.recorder.plans import check_plans, held_addresses
from benchlog.recorder.signals import Signals
from benchlog.recorder.told import Tell
from benchlog.store.writer import Writer


def inspect_lot(
    task: Task,
    database: Path,
    clock: Clock,
    *,
    tell: Tell,
    ids: Ids | None = None,
    until_fd: int | None = None,
) -> tuple[int, ...]:
    """Keep the runs of a lot until it is done, its ids are, or somebody ends it.

    Parameters
    ----------
    task : Task
        The lot, which is in the database already.
    ids : Ids, optional
        Where ids come from; None: from people, through the control socket.
    until_fd : int, optional
        As in `keep`.

    Returns the ids of the runs that were begun. Raises what `keep` raises, BusyError
    also when another keeper inspects this lot.

    """
    plans = [replace(plan, device=plan.device or "?") for plan in task.templates]
    check_plans(plans)
    with contextlib.ExitStack() as stack:
        holder = f"benchlog inspect of lot {task.lot.lot}"
        stack.enter_context(BenchLocks(held_addresses(plans), holder, clock))
        signals = stack.enter_context(Signals())
        writer = Writer.open(database, clock)
        stack.callback(writer.close)
        selector = stack.enter_context(selectors.DefaultSelector())
        selector.register(signals, selectors.EVENT_READ, ("signal", None))
        if until_fd is not None:
            selector.register(until_fd, selectors.EVENT_READ, ("until", until_fd))
        around = Surroundings(database, clock, writer, selector, signals, tell)
        keeper = LotKeeper(task, around, ids)
        stack.callback(keeper.finish)
        keeper.recover()
        keeper.wait_for_all()
        keeper.begin()
        keeper.loop()
        return tuple(keeper.book.runs.ids)
