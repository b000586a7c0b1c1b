"""The keeper as a process of its own session: a closed terminal does not end it."""

import json
import os
import pickle
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Final

from benchlog.clock import host_clock
from benchlog.errors import BenchlogError, InstrumentError
from benchlog.model import RunPlan
from benchlog.recorder.keeper import Told, keep

_QUIT_S: Final = 20.0


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


def launch(
    plans: Sequence[RunPlan], database: Path, *, go_on: bool = False
) -> Launched:
    """Start a keeper and wait until its runs have begun.

    What it has to say beyond its events goes to `DATABASE.keeper.log`. Raises what
    prevented the start: InstrumentError, BusyError, StoreError, as `keep` does.
    """
    database = database.absolute()
    database.parent.mkdir(parents=True, exist_ok=True)
    with _log(database).open("ab") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "benchlog.recorder.launch"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=log,
            start_new_session=True,
        )
    if process.stdin is None or process.stdout is None:
        raise RuntimeError("a keeper without pipes")
    pickle.dump((tuple(plans), database, go_on), process.stdin)
    process.stdin.flush()
    answer = _answer(process.stdout, database)
    launched = Launched(answer.runs, process)
    if answer.error:
        launched.close()
        launched.wait(_QUIT_S)
        error = BenchlogError(answer.error)
        error.exit_code = answer.exit_code
        raise error
    return launched


@dataclass(frozen=True, slots=True)
class Start:
    """The one line a keeper says about its start."""

    runs: tuple[int, ...] = ()
    error: str = ""
    exit_code: int = 0


def _answer(stdout: IO[bytes], database: Path) -> Start:
    line = stdout.readline()
    if not line:
        return Start(
            error=f"the keeper ended before it began; {_log(database)} says why",
            exit_code=1,
        )
    said = json.loads(line)
    return Start(tuple(said["runs"]), said["error"], said["exit_code"])


def _log(database: Path) -> Path:
    return database.with_name(f"{database.name}.keeper.log")


def main() -> None:
    """Read plans from standard input, keep them, say once what came of the start."""
    plans, database, go_on = pickle.load(sys.stdin.buffer)  # noqa: S301 - our own
    begun: list[int] = []

    def tell(told: Told) -> None:
        if told.kind == "begun":
            begun.append(told.run_id)
            if len(begun) == len(plans):
                _say(Start(runs=tuple(begun)))

    try:
        keep(
            plans,
            database,
            host_clock(),
            tell=tell,
            until_fd=sys.stdin.fileno(),
            go_on=go_on,
        )
    except BenchlogError as error:
        where = f" [{error.address}]" if isinstance(error, InstrumentError) else ""
        if len(begun) < len(plans):
            _say(Start((), str(error), error.exit_code))
        sys.stderr.write(f"{error}{where}\n")
        raise SystemExit(error.exit_code) from error


def _say(answer: Start) -> None:
    """Write the one line that the starter waits for, then close the pipe."""
    os.write(sys.stdout.fileno(), json.dumps(asdict(answer)).encode() + b"\n")
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, sys.stdout.fileno())
    os.close(null)


if __name__ == "__main__":
    main()
