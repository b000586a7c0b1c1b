"""A simulated bench in a process of its own, and the command line as a process."""

import json
import os
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import pytest
from schemas_held import hold_printed
from waiting import wait_for
from warm_program import PROGRAM, Program, run

from benchlog.control import Request, ask, file_of
from benchlog.errors import BenchlogError
from benchlog.store.reader import Reader

SCALE = "20"
"""Bench seconds in a second; simulator and keeper share it."""


@dataclass(frozen=True)
class Line:
    """The command line in one folder, with a database of its own."""

    folder: Path
    scale: str = SCALE

    @property
    def db(self) -> Path:
        return self.folder / "test.db"

    def readings(self, run: int = 1) -> int:
        """Return how many a run has by now: none where it has not begun."""
        try:
            with Reader.open(self.db) as reader:
                return reader.count(run)
        except BenchlogError:
            return 0

    def environment(self) -> dict[str, str]:
        kept = {k: v for k, v in os.environ.items() if not k.startswith("BENCHLOG_")}
        return {
            **kept,
            "BENCHLOG_DB": str(self.db),
            "BENCHLOG_TIME_SCALE": self.scale,
            "XDG_CONFIG_HOME": str(self.folder / "config"),
            "COLUMNS": "100",
        }

    def run(self, *words: str, **more: str) -> subprocess.CompletedProcess[str]:
        done = run(
            [*PROGRAM, *words],
            cwd=self.folder,
            env=self.environment() | more,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        hold_printed(words, done.stdout)
        return done

    @contextmanager
    def started(self, *words: str) -> "Iterator[subprocess.Popen[str]]":
        with Program(
            [*PROGRAM, *words],
            cwd=self.folder,
            env=self.environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            try:
                yield process
            finally:
                process.kill()

    @contextmanager
    def bench(self, *options: str) -> "Iterator[str]":
        """Serve a simulated bench; yield the path of its bench file."""
        path = self.folder / "bench.toml"
        path.unlink(missing_ok=True)
        with self.started("simulate", "--bench-out", path.name, *options) as process:
            wait_for(path.exists)
            yield str(path)
            process.send_signal(signal.SIGTERM)
            process.communicate(timeout=10)


def document(done: subprocess.CompletedProcess[str]) -> dict[str, object]:
    """Standard output is one JSON document and nothing else; there is no traceback."""
    assert "Traceback" not in done.stderr, done.stderr
    found = json.loads(done.stdout, parse_constant=pytest.fail)
    assert isinstance(found, dict)
    return found


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A bench of one position with a device of +3 ppm, for a whole module."""
    line = Line(tmp_path_factory.mktemp("bench"))
    with line.bench("--offset-ppm", "3", "--supply-meter") as path:
        yield path


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    yield Line(tmp_path)
    for keeper in tmp_path.glob("*.sock"):  # a failed test leaves none behind
        with suppress(BenchlogError):
            database = keeper.with_name(keeper.name.rsplit(".", 2)[0])
            ask(keeper, Request("stop"), file_of(database))
