"""The keeper as a process of its own session: a closed terminal does not end it."""

import contextlib
import json
import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Final

from benchlog.clock import Clock, host_clock
from benchlog.errors import BenchlogError, InstrumentError
from benchlog.masking import masked
from benchlog.model import EventKind, RunPlan
from benchlog.recorder.keeper import keep
from benchlog.recorder.narration import line_of
from benchlog.recorder.notice import RunNotice
from benchlog.recorder.run.resume import Resumed, resumed
from benchlog.store.whole_files import opened_to_append
from benchlog.units import iso_utc

_QUIT_S: Final = 20.0  # our rule: longer than the last try to commit


@dataclass(slots=True)
class Launched:
    """A keeper that has begun its runs.

    Keep this object open: when it is closed, or this process gone, the runs end
    cleanly unless they were told to go on.
    """

    run_ids: tuple[int, ...]
    process: "subprocess.Popen[bytes]"

    def wait(self, within_s: float | None = None) -> int:
        """Wait for the keeper to end; return its exit code."""
        return self.process.wait(within_s)

    def close(self) -> None:
        """Let go: the keeper goes on only if it was told to."""
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()

    @property
    def pid(self) -> int:
        """The keeper's process."""
        return self.process.pid


@dataclass(frozen=True, slots=True)
class Again:
    """Soaks to go on with; `more_s` is their new length from now on, None the old.

    `trust`: also with those that came from elsewhere.
    """

    run_ids: tuple[int, ...]
    more_s: float | None = None
    trust: bool = False


def launch(
    plans: Sequence[RunPlan],
    database: Path,
    *,
    go_on: bool = False,
    again: Again | None = None,
    say: Callable[[str], None] | None = None,
) -> Launched:
    """Start a keeper and wait until its runs have begun.

    With `again` it goes on with runs and needs no plans. `say` hears what a soak waits
    for meanwhile. What happens is told in `DATABASE.keeper.log` as well. Raises what
    prevented the start: InstrumentError, BusyError, StoreError, as `keep` does.
    """
    task = (tuple(plans), database.absolute(), go_on, again)
    return launched_as("benchlog.recorder.launch", task, database, say)


def launched_as(
    module: str,
    task: object,
    database: Path,
    say: Callable[[str], None] | None = None,
) -> Launched:
    """Start a keeper whose program is `module`, and wait until its runs have begun.

    Raises what prevented the start, as `launch` does.
    """
    database = database.absolute()
    database.parent.mkdir(parents=True, exist_ok=True)
    process, stdout = keeper_process(module, task, database)
    try:
        answer = _answer(stdout, database, say)
    except BaseException:  # Ctrl-C while a soak waits: nothing has begun
        process.terminate()
        Launched((), process).close()
        process.wait(_QUIT_S)
        raise
    launched = Launched(answer.runs, process)
    if answer.error:
        launched.close()
        with contextlib.suppress(subprocess.TimeoutExpired):  # the error matters more
            launched.wait(_QUIT_S)
        error = BenchlogError(answer.error)
        error.exit_code = answer.exit_code
        raise error
    return launched


@dataclass(frozen=True, slots=True)
class Start:
    """A line that a keeper says about its start; the last one is not `waiting`."""

    runs: tuple[int, ...] = ()
    error: str = ""
    exit_code: int = 0
    waiting: str = ""


def keeper_process(
    module: str, task: object, database: Path
) -> "tuple[subprocess.Popen[bytes], IO[bytes]]":
    """Start a keeper in a session of its own and hand it its task.

    Return the process, and the stream on which it says what came of its start. What it
    says later stands in its log beside the database.
    """
    with os.fdopen(_opened_log(log_of(database)), "ab") as log:
        process = subprocess.Popen(
            [sys.executable, "-P", "-m", module],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=log,
            start_new_session=True,
        )
    if process.stdin is None or process.stdout is None:
        raise RuntimeError("a keeper without pipes")
    pickle.dump(task, process.stdin)
    process.stdin.flush()
    return process, process.stdout


def _opened_log(path: Path) -> int:
    try:
        return opened_to_append(path)
    except OSError as error:
        raise BenchlogError(
            f"{path} cannot be written ({error.strerror}); it must be a file of yours, "
            "not a link: remove it, or name another database with --db"
        ) from error


def _answer(
    stdout: IO[bytes], database: Path, say: Callable[[str], None] | None
) -> Start:
    while line := stdout.readline():
        said = json.loads(line)
        if not said["waiting"]:
            return Start(tuple(said["runs"]), said["error"], said["exit_code"])
        if say is not None:
            say(said["waiting"])
    why = f"the keeper ended before it began; {log_of(database)} says why"
    return Start(error=why, exit_code=1)


def log_of(database: Path) -> Path:
    """Return where keepers of a database say what happened."""
    return database.with_name(f"{database.name}.keeper.log")


class Teller:
    """Says once what came of the start, and keeps a log in plain words."""

    def __init__(self, clock: Clock, wanted: int) -> None:
        self.begun: list[int] = []
        self._clock, self._wanted = clock, wanted

    def tell(self, told: RunNotice) -> None:
        """Take what the keeper tells."""
        if told.kind == "waiting":
            _say(Start(waiting=told.text))
        elif told.kind == "begun":
            self.begun.append(told.run_id)
            if len(self.begun) == self._wanted:
                _say(Start(runs=tuple(self.begun)))
                _say_no_more()
        line = line_of(told)
        if line and self._wanted > 1 and told.event is not None:
            started = told.event.kind == EventKind.STARTED
            line = line if started else f"run {told.run_id}: {line}"
        self.log(line)

    def log(self, line: str) -> None:
        """Write a line with its time to the log; a full disk is no reason to end."""
        if line:
            with contextlib.suppress(OSError):
                sys.stderr.write(f"{iso_utc(self._clock.utc_ns())} {line}\n")
                sys.stderr.flush()


def main() -> None:
    """Read plans from standard input, keep them, say once what came of the start."""
    plans, database, go_on, again = pickle.load(sys.stdin.buffer)  # noqa: S301 - ours
    clock = host_clock()
    wanted = len(plans if again is None else again.run_ids)
    with told_at_start(clock, wanted) as teller:
        old = () if again is None else _resumed(database, again, clock)
        keep(
            plans if again is None else tuple(one.plan for one in old),
            database,
            clock,
            tell=teller.tell,
            until_fd=sys.stdin.fileno(),
            go_on=go_on,
            resume=old,
        )


@contextlib.contextmanager
def told_at_start(clock: Clock, wanted: int) -> Iterator[Teller]:
    """Yield what tells of `wanted` runs; what prevents their start is told, too."""
    teller = Teller(clock, wanted)
    try:
        yield teller
    except BenchlogError as error:
        where = (
            f" [{masked(error.address)}]" if isinstance(error, InstrumentError) else ""
        )
        if len(teller.begun) < wanted:
            _say(Start((), str(error), error.exit_code))
        teller.log(f"{error}{where}")
        raise SystemExit(error.exit_code) from error


def _resumed(database: Path, again: Again, clock: Clock) -> tuple[Resumed, ...]:
    now_ns = clock.utc_ns()
    return tuple(
        resumed(database, run_id, now_ns, more_s=again.more_s, trust=again.trust)
        for run_id in again.run_ids
    )


def _say(answer: Start) -> None:
    """Write a line that the starter waits for; it may have gone."""
    with contextlib.suppress(OSError):
        os.write(sys.stdout.fileno(), json.dumps(asdict(answer)).encode() + b"\n")


def _say_no_more() -> None:
    """Close the pipe to the starter."""
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, sys.stdout.fileno())
    os.close(null)


if __name__ == "__main__":
    main()
