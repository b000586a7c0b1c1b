"""A lot's keeper as a process of its own, beside the screen that speaks to it."""

import json
import os
import pickle
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from benchlog.clock import host_clock
from benchlog.errors import BenchlogError
from benchlog.recorder.inspection import inspect_lot
from benchlog.recorder.launch import keeper_process, log_of
from benchlog.recorder.lotbook import Task
from benchlog.recorder.told import Told

_QUIT_S: Final = 20.0


@dataclass(slots=True)
class LaunchedLot:
    """A keeper that waits for devices; `control` is its socket.

    Keep this object open: when it is closed, or this process gone, the keeper sets
    aside what is not finished and ends.
    """

    control: Path
    process: "subprocess.Popen[bytes]"

    def close(self) -> None:
        """Let go, and wait until the keeper has ended."""
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()
        self.process.wait(_QUIT_S)


def launch_lot(task: Task, database: Path) -> LaunchedLot:
    """Start a lot's keeper and wait until its instruments have answered.

    Raises what prevented the start: InstrumentError, BusyError, StoreError.
    """
    database = database.absolute()
    module = "benchlog.recorder.lotlaunch"
    process, stdout = keeper_process(module, (task, database), database)
    line = stdout.readline()
    said: dict[str, str] = (
        json.loads(line) if line else {"error": f"{log_of(database)} says why"}
    )
    launched = LaunchedLot(database.with_name(said.get("control", "")), process)
    if said.get("error"):
        launched.close()
        error = BenchlogError(f"the lot's keeper did not begin: {said['error']}")
        error.exit_code = int(said.get("exit_code", 1))
        raise error
    return launched


def main() -> None:
    """Read the task from standard input, inspect; say once what came of the start."""
    task, database = pickle.load(sys.stdin.buffer)  # noqa: S301 - our own
    begun: list[str] = []

    def tell(told: Told) -> None:
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
