"""A lot, device after device: the counter stays connected, the plan stays the lot's."""

from dataclasses import replace
from pathlib import Path

from benchlog.clock import Clock
from benchlog.recorder.ids import Ids
from benchlog.recorder.keeper import surroundings
from benchlog.recorder.lotbook import Task
from benchlog.recorder.lotkeeper import LotKeeper
from benchlog.recorder.plans import check_plans
from benchlog.recorder.told import Tell


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
    holder = f"benchlog inspect of lot {task.lot.lot}"
    with surroundings(
        plans, holder, database, clock, tell=tell, until_fd=until_fd
    ) as around:
        keeper = LotKeeper(task, around, ids)
        try:
            keeper.recover()
            keeper.wait_for_all()
            keeper.begin()
            keeper.loop()
        finally:
            keeper.finish()
        return tuple(keeper.book.runs.ids)
