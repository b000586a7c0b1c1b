"""A rack's keeper from its start to its end, in the foreground or beside a screen.

Beside a screen it is a process of its own session, as every keeper (`launch.py`): its
runs go on when the terminal is closed.
"""

import contextlib
import pickle
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from benchlog.clock import Clock, host_clock, host_deadline, host_sleep
from benchlog.errors import BusyError
from benchlog.model import Purpose
from benchlog.recorder.hearing_loop import Surroundings
from benchlog.recorder.keeper import surroundings
from benchlog.recorder.launch import Launched, launched_as, told_at_start
from benchlog.recorder.notice import Tell
from benchlog.recorder.rack.rack_keeper import RackKeeper
from benchlog.recorder.rack.rack_task import RackTask
from benchlog.recorder.run.resume import Resumed, resumed

_LETTING_GO_S: Final = 8.0
"""Real seconds in which the setters of a keeper that died have let go; our rule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RackWork:
    """A qualification that may be begun, or gone on with.

    `again` has the runs to go on with by position; one without gets a new run.
    `trust`: also runs that came from elsewhere.
    """

    task: RackTask
    again: dict[str, int]
    trust: bool = False


def keep_rack(
    work: RackWork,
    database: Path,
    clock: Clock,
    *,
    tell: Tell,
    until_fd: int | None = None,
    go_on: bool = False,
) -> tuple[int, ...]:
    """Take a rack through its sequence; return the runs.

    Whatever happens, every setter is let go of and every run is ended. Raises
    InstrumentError when an instrument or setter does not answer at the start,
    BusyError, StoreError, and what `resumed` raises.
    """
    several = _resumed(work, database, clock)
    with _held(work.task, database, clock, tell, until_fd) as around:
        keeper = RackKeeper(work.task, around, go_on=go_on)
        try:
            if several:
                plans = work.task.plans
                fresh = [one for one in plans if one.position not in work.again]
                keeper.resume(several, fresh)
            else:
                keeper.wait_for_all()
                keeper.begin()
            keeper.loop()
            return tuple(keeper.book.runs.ids)
        finally:
            keeper.finish()


def _resumed(work: RackWork, database: Path, clock: Clock) -> list[Resumed]:
    """Return the runs to go on with, each with its plan of today."""
    plans = {plan.position: plan for plan in work.task.plans}
    now_ns = clock.utc_ns()
    several = []
    for position, run_id in work.again.items():
        old = resumed(
            database, run_id, now_ns, trust=work.trust, purpose=Purpose.QUALIFY
        )
        several.append(replace(old, plan=plans[position]))
    return several


@contextlib.contextmanager
def _held(
    task: RackTask, database: Path, clock: Clock, tell: Tell, until_fd: int | None
) -> Iterator[Surroundings]:
    """Hold bench and database; setters of a keeper that died let go first."""
    addresses = [task.bench.instruments[name].address for name in task.setters()]
    limit = host_deadline(_LETTING_GO_S)
    with contextlib.ExitStack() as stack:
        while True:
            try:
                around = stack.enter_context(
                    surroundings(
                        task.plans,
                        f"benchlog qualify of {len(task.plans)} devices",
                        database,
                        clock,
                        tell=tell,
                        until_fd=until_fd,
                        beside=[address for address in addresses if address],
                    )
                )
                break
            except BusyError:
                if limit.passed:
                    raise
            host_sleep(0.1)
        yield around


def launch_rack(
    work: RackWork, database: Path, say: Callable[[str], None] | None = None
) -> Launched:
    """Start a keeper and wait until its runs have begun; raises as `keep_rack`."""
    module = "benchlog.recorder.rack.qualification"
    return launched_as(module, (work, database.absolute()), database, say)


def main() -> None:
    """Read the work from standard input; say once what came of the start."""
    work, database = pickle.load(sys.stdin.buffer)  # noqa: S301 - ours
    clock = host_clock()
    with told_at_start(clock, len(work.task.plans)) as teller:
        keep_rack(
            work,
            database,
            clock,
            tell=teller.tell,
            until_fd=sys.stdin.fileno(),
            go_on=True,
        )


if __name__ == "__main__":
    main()
