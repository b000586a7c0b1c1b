"""Asking the keeper without keeping the screen waiting."""

import asyncio
from pathlib import Path

from benchlog import control
from benchlog.control import Answer, Request
from benchlog.errors import BenchlogError, KeeperGoneError
from benchlog.keepers import remove_dead, run_number, socket_of
from benchlog.model import Run
from benchlog.screen.run_status import KeeperStatus

Moment = tuple[int, int]
"""UTC and bench time in ns."""


async def ask(
    database: Path,
    run: Run,
    do: str,
    text: str = "",
    at: Moment | None = None,
    *,
    position: str = "",
    file: str | None = None,
) -> Answer:
    """Ask the keeper of a run for something; what goes wrong is in the answer.

    `at` is the moment that was meant when it is not now, `position` where it is meant,
    `file` the database as it was when it was opened (`control.file_of`).
    """
    try:
        utc_ns, mono_ns = at or (None, None)
        request = Request(
            do,
            run.id,
            text,
            at_utc_ns=utc_ns,
            at_mono_ns=mono_ns,
            position=position,
        )
        return await _ask(database, run, request, file)
    except BenchlogError as error:
        return Answer(ok=False, error=str(error))


async def hear(database: Path, run: Run, file: str | None = None) -> KeeperStatus:
    """Return how the keeper of an open run stands; `gone` when nobody listens."""
    if (path := socket_of(run, database)) is None:
        return KeeperStatus()
    try:
        answer = await _ask(database, run, Request("status", run.id), file)
    except BenchlogError as error:
        if not isinstance(error, KeeperGoneError):
            return KeeperStatus(state="unknown")
        remove_dead(path)
        return KeeperStatus(state="gone")
    if answer.data.get(control.ELSEWHERE):
        return KeeperStatus(state="gone")
    runs, begun = answer.data.get("runs"), answer.data.get("begun")
    named = runs.items() if isinstance(runs, dict) else ()
    doing = {n: str(d) for said, d in named if (n := run_number(said)) is not None}
    waiting = answer.data.get("rows_waiting", 0)
    return KeeperStatus(
        state="here",
        open_runs=tuple(doing.items()),
        begun=tuple(n for n in begun if isinstance(n, int))
        if isinstance(begun, list)
        else (),
        paused=doing.get(run.id) == "paused",
        keeps_going=bool(answer.data.get("keeps_going")),
        rows_waiting=waiting if isinstance(waiting, int) else 0,
        now=str(answer.data.get("doing", "")),
    )


async def _ask(database: Path, run: Run, request: Request, file: str | None) -> Answer:
    if (path := socket_of(run, database)) is None:
        raise BenchlogError("this run has no keeper that could be asked")
    told = control.file_of(database) if file is None else file
    return await asyncio.to_thread(control.ask, path, request, told)
