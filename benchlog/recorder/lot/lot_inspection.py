"""Inspecting a lot: the keeper in the foreground, or as a process of its own."""

import contextlib
import json
import os
import pickle
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from benchlog.clock import Clock, host_clock
from benchlog.errors import BenchlogError, BusyError
from benchlog.recorder.hearing_loop import Surroundings
from benchlog.recorder.keeper import surroundings
from benchlog.recorder.launch import keeper_process, log_of
from benchlog.recorder.lot.device_ids import Ids
from benchlog.recorder.lot.lot_book import Task, TrimTask
from benchlog.recorder.lot.lot_keeper import LotKeeper
from benchlog.recorder.lot.trim_keeper import TrimKeeper
from benchlog.recorder.notice import RunNotice, Tell
from benchlog.recorder.run.plan_checks import check_plans


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
    also when another keeper inspects this lot; of a line that is trimmed BenchlogError
    when codes could not be set, or burned, on several devices one after the other.

    """
    plans = [replace(plan, device=plan.device or "?") for plan in task.templates]
    check_plans(plans)
    verb = "trim" if isinstance(task, TrimTask) else "inspect"
    holder = f"benchlog {verb} of lot {task.lot.lot}"
    beside = task.supplies if isinstance(task, TrimTask) else ()
    with surroundings(
        plans, holder, database, clock, tell=tell, until_fd=until_fd, beside=beside
    ) as around:
        keeper = _keeper_of(task, around, ids)
        try:
            keeper.recover()
            keeper.wait_for_all()
            keeper.begin()
            keeper.loop()
        finally:
            keeper.finish()
        if isinstance(keeper, TrimKeeper) and keeper.fault is not None:
            raise keeper.fault
        return tuple(keeper.book.runs.ids)


def _keeper_of(task: Task, around: Surroundings, ids: Ids | None) -> LotKeeper:
    if isinstance(task, TrimTask):
        return TrimKeeper(task, around, ids)
    return LotKeeper(task, around, ids)


# --- a lot's keeper as a process of its own, beside the screen that speaks to it

_QUIT_S: Final = 20.0  # our rule: as `_QUIT_S` of `launch`


@dataclass(slots=True)
class LaunchedLot:
    """A keeper that waits for devices; `control` is its socket.

    Keep this object open: when it is closed, or this process gone, the keeper sets
    aside what is not finished and ends.
    """

    control: Path
    process: "subprocess.Popen[bytes]"

    def close(self) -> None:
        """Let go, and wait until the keeper has ended; BusyError where it does not."""
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()
        try:
            self.process.wait(_QUIT_S)
        except subprocess.TimeoutExpired as error:  # it sees a burn out, or is stopped
            raise BusyError(
                f"the lot's keeper, process {self.process.pid}, has not ended after "
                f"{_QUIT_S:.0f} s: is a chip being burned, or is it stopped? The lot "
                "can be looked at, and gone on with once it has ended"
            ) from error


def launch_lot(task: Task, database: Path) -> LaunchedLot:
    """Start a lot's keeper and wait until its instruments have answered.

    Raises what prevented the start: InstrumentError, BusyError, StoreError.
    """
    database = database.absolute()
    module = "benchlog.recorder.lot.lot_inspection"
    process, stdout = keeper_process(module, (task, database), database)
    launched = LaunchedLot(database, process)
    try:
        line = stdout.readline()
    except BaseException:  # Ctrl-C while it waits for instruments: nothing has begun
        launched.close()
        raise
    why = f"it was ended; {log_of(database)} may say why"
    said: dict[str, str] = json.loads(line) if line else {"error": why}
    if said.get("error"):
        with contextlib.suppress(BusyError):  # why it did not begin matters more
            launched.close()
        error = BenchlogError(f"the lot's keeper did not begin: {said['error']}")
        error.exit_code = int(said.get("exit_code", 1))
        raise error
    launched.control = database.with_name(said["control"])
    return launched


def main() -> None:
    """Read the task from standard input, inspect; say once what came of the start."""
    task, database = pickle.load(sys.stdin.buffer)  # noqa: S301 - our own
    begun: list[str] = []

    def tell(told: RunNotice) -> None:
        if told.kind == "ready":
            begun.append(told.text)
            _say({"control": told.text})

    try:
        inspect_lot(
            task, database, host_clock(), tell=tell, until_fd=sys.stdin.fileno()
        )
    except BenchlogError as error:
        if not begun:
            _say({"error": str(error), "exit_code": error.exit_code})
        sys.stderr.write(f"{error}\n")
        raise SystemExit(error.exit_code) from error


def _say(answer: dict[str, object]) -> None:
    os.write(sys.stdout.fileno(), json.dumps(answer).encode() + b"\n")


if __name__ == "__main__":
    main()
