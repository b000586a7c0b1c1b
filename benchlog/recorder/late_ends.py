"""Ends of runs that the database did not take: tried again while others go on."""

import contextlib
from collections.abc import Iterator, Sequence
from typing import Final

from benchlog.clock import host_deadline
from benchlog.errors import StoreError
from benchlog.model import EventKind
from benchlog.recorder.run.commit_queue import OpenRuns
from benchlog.recorder.run.live_run import LiveRun

_AGAIN_S: Final = 2.0  # our rule: a try may hold the loop for as long


class LateEnds:
    """How runs are to end whose end was begun; those that are still open wait for it.

    A database that is locked or full for a while would otherwise end all runs of a
    keeper with the first of them, and a lot with the device that is in.
    """

    def __init__(self, runs: OpenRuns) -> None:
        self._runs = runs
        self._how: dict[int, str] = {}
        self._told: set[int] = set()
        self._again = host_deadline(0)

    def how(self, run: LiveRun, how: str) -> str:
        """Return how a run ends: the first reason is the true one."""
        return self._how.setdefault(run.run_id, how)

    def note(self, run: LiveRun, text: str) -> None:
        """Write the event that a run has ended, once."""
        if run.run_id not in self._told:
            self._told.add(run.run_id)
            self._runs.note(run, EventKind.ENDED, text)

    @contextlib.contextmanager
    def noted(self, run: LiveRun, text: str) -> Iterator[None]:
        """See to it that a file has the end of a run whose rows are there alone."""
        try:
            yield
        except StoreError:
            self.note(run, text)
            self._runs.queue.save_elsewhere()
            raise

    def wait_for(self, run: LiveRun) -> bool:
        """Whether the end of an open run was begun, and is to be tried again."""
        return run.run_id in self._how

    @contextlib.contextmanager
    def later(self, *, go_on: bool) -> Iterator[None]:
        """Let an end that the database does not take wait, where others `go_on`."""
        try:
            yield
        except StoreError:
            if not go_on:
                raise
            self._again = host_deadline(_AGAIN_S)

    def beside(self, over: Sequence[tuple[LiveRun, str]]) -> list[tuple[LiveRun, str]]:
        """Return the runs that are over by their plan, and whose end is due again."""
        found = [(run, how) for run, how in over if not self.wait_for(run)]
        if self._again.passed:
            waiting = filter(self.wait_for, self._runs.all())
            found += [(run, self._how[run.run_id]) for run in waiting]
        return found
