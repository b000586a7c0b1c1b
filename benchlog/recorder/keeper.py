"""A keeper in the foreground: it takes its bench, keeps runs to their end, lets go."""

import contextlib
import selectors
from collections.abc import Iterator, Sequence
from pathlib import Path

from benchlog.clock import Clock
from benchlog.model import RunPlan
from benchlog.recorder.bench_lock import BenchLocks
from benchlog.recorder.hearing_loop import Surroundings
from benchlog.recorder.keeper_loop import Keeper
from benchlog.recorder.notice import RunNotice, Tell
from benchlog.recorder.run.plan_checks import check_plans, held_addresses
from benchlog.recorder.run.resume import Resumed
from benchlog.recorder.signals import Signals
from benchlog.store.writer import Writer

__all__ = ["RunNotice", "keep", "opened_keeper"]


def keep(
    plans: Sequence[RunPlan],
    database: Path,
    clock: Clock,
    *,
    tell: Tell,
    until_fd: int | None = None,
    go_on: bool = False,
    resume: Sequence[Resumed] = (),
) -> tuple[int, ...]:
    """Keep the runs of one bench until each is over; return their ids.

    Parameters
    ----------
    plans : sequence of RunPlan
        One per position of the same bench.
    until_fd : int, optional
        A pipe's reading end: when the other end is gone, so is the terminal, and the
        runs end cleanly unless `go_on` or somebody asked them to keep going.
    resume : sequence of Resumed
        Go on with these soaks instead of beginning runs; `plans` holds their plans.

    Raises InstrumentError when an instrument does not answer at the start (a soak waits
    instead), BusyError when another keeper holds one, StoreError when the database
    cannot be used. From the first reading on, faults are events, not errors.

    """
    with opened_keeper(
        plans, database, clock, tell=tell, until_fd=until_fd, go_on=go_on
    ) as keeper:
        if resume:
            keeper.resume(resume)
        else:
            keeper.wait_for_all()
            keeper.begin()
        keeper.loop()
        return tuple(keeper.book.runs.ids)


@contextlib.contextmanager
def opened_keeper(
    plans: Sequence[RunPlan],
    database: Path,
    clock: Clock,
    *,
    tell: Tell,
    until_fd: int | None = None,
    go_on: bool = False,
) -> Iterator[Keeper]:
    """Yield a keeper that holds its bench and its database, and has begun nothing.

    Whatever happens in the `with` block, open runs are ended, instruments let go.
    Raises UsageError, BusyError and StoreError as `keep` does.
    """
    check_plans(plans)
    holder = f"benchlog {plans[0].purpose} of {', '.join(p.device for p in plans)}"
    with surroundings(
        plans, holder, database, clock, tell=tell, until_fd=until_fd
    ) as around:
        keeper = Keeper(plans, around, go_on=go_on)
        try:
            yield keeper
        finally:
            keeper.finish()


@contextlib.contextmanager
def surroundings(
    plans: Sequence[RunPlan],
    holder: str,
    database: Path,
    clock: Clock,
    *,
    tell: Tell,
    until_fd: int | None,
    beside: Sequence[str] = (),
) -> Iterator[Surroundings]:
    """Hold the instruments of `plans` in the name of `holder`, database and signals.

    `beside` are addresses that are held as well. Raises BusyError and StoreError as
    `keep` does.
    """
    with contextlib.ExitStack() as stack:
        locks = stack.enter_context(
            BenchLocks(
                tuple(dict.fromkeys((*held_addresses(plans), *beside))), holder, clock
            )
        )
        signals = stack.enter_context(Signals())
        writer = Writer.open(database, clock)
        stack.callback(writer.close)
        selector = stack.enter_context(selectors.DefaultSelector())
        selector.register(signals, selectors.EVENT_READ, ("signal", None))
        if until_fd is not None:
            selector.register(until_fd, selectors.EVENT_READ, ("until", until_fd))
        yield Surroundings(
            database=writer.path,  # links followed: there people look for it
            clock=clock,
            writer=writer,
            selector=selector,
            locks=locks,
            signals=signals,
            tell=tell,
        )
