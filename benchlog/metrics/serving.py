"""Metrics in a process of their own: they take no time from the keeper's loop."""

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event, Thread
from typing import Final

from benchlog.clock import host_clock
from benchlog.errors import BenchlogError, UsageError
from benchlog.metrics.addresses import ServedAt
from benchlog.metrics.followed_runs import any_is_kept
from benchlog.metrics.scrapes import Scrapes
from benchlog.metrics.server import MetricsServer
from benchlog.priority import give_way

_LOOK_S: Final = 2.0  # our rule: an address is free again so soon after the last run
_END_S: Final = 10.0
Told = Callable[[ServedAt], object]
"""Told where it is served, with the port that was free."""


@contextlib.contextmanager
def serving(database: Path, at: ServedAt) -> Iterator[ServedAt]:
    """Serve from another process; yield where, once it listens.

    Left, the process goes on as long as a keeper keeps a run of this database, and ends
    then. Raises UsageError where the address cannot be used.
    """
    words = [sys.executable, "-P", "-m", "benchlog.metrics.serving"]
    words += [str(database.absolute()), at.host, str(at.port)]
    process = subprocess.Popen(
        words,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,
    )
    assert process.stdout is not None and process.stdin is not None
    said: dict[str, object] = {}
    try:
        with process.stdout as told:
            line = told.readline()
        said = json.loads(line) if line else {"error": "the process for metrics ended"}
        if "error" in said:
            raise UsageError(str(said["error"]))
        yield ServedAt(at.host, int(str(said["port"])))
    finally:
        process.stdin.close()  # from now on it looks whether anybody keeps a run
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(_END_S if "port" not in said else _LOOK_S)


def serve_until_told(database: Path, at: ServedAt, told: Told) -> None:
    """Serve in this process until Ctrl-C, SIGTERM or the terminal's end."""
    stop = Event()
    for number in ending_signals():
        signal.signal(number, lambda *_: stop.set())
    with _listening(database, at) as server:
        told(server.at)
        stop.wait()


def ending_signals() -> list[signal.Signals]:
    """Return what ends a server: a hang-up only where nobody said `nohup`."""
    ending = [signal.SIGINT, signal.SIGTERM]
    hung_up = signal.getsignal(signal.SIGHUP) != signal.SIG_IGN
    return [*ending, signal.SIGHUP] if hung_up else ending


@contextlib.contextmanager
def _listening(database: Path, at: ServedAt) -> Iterator[MetricsServer]:
    scrapes = Scrapes(database, host_clock())
    try:
        server = MetricsServer(at, scrapes)
        thread = Thread(target=server.serve, daemon=True)
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            server.server_close()
    finally:
        scrapes.close()


def main() -> None:
    """Serve the database of the first argument at the host and port of the others."""
    database, at = Path(sys.argv[1]), ServedAt(sys.argv[2], int(sys.argv[3]))
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    give_way()
    try:
        with _listening(database, at) as server:
            _say({"port": server.at.port})
            _wait(database)
    except BenchlogError as error:
        _say({"error": str(error)})
        raise SystemExit(error.exit_code) from error


def _wait(database: Path) -> None:
    """Wait until whoever began this has gone and no run is kept any more."""
    select.select([sys.stdin], [], [])
    while any_is_kept(database):
        select.select([], [], [], _LOOK_S)


def _say(answer: dict[str, object]) -> None:
    os.write(sys.stdout.fileno(), json.dumps(answer).encode() + b"\n")


if __name__ == "__main__":
    main()
