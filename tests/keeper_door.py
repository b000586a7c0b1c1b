"""A real keeper of one soak in a process of its own, and who comes to its socket."""

import json
import os
import signal
import socket
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from warm_program import children_of

from benchlog.control import Request, ask, file_of
from benchlog.model import (
    Bench,
    Event,
    InstrumentSpec,
    Kind,
    Limits,
    Part,
    PositionSpec,
    Purpose,
    Run,
    RunPlan,
)
from benchlog.recorder.launch import launch
from benchlog.store.reader import Reader

STRANGERS = Path(__file__).parent / "recorder" / "strangers"
PART = Part(
    id="quartz-16mhz-30ppm",
    title="16 MHz quartz",
    kind=Kind.QUARTZ,
    nominal_hz=16e6,
    limits=Limits(tolerance_ppm=30.0),
)


def soak_plan(
    driver: str = "stranger-steady", probe: str = "", **options: Any
) -> RunPlan:
    named = {"counter": driver, "room": probe} if probe else {"counter": driver}
    specs = {
        name: InstrumentSpec(name=name, driver=driver, address="", options=options)
        for name, driver in named.items()
    }
    ambient = "room" if probe else None
    position = PositionSpec(name="A", frequency="counter", ambient=ambient)
    return RunPlan(
        purpose=Purpose.SOAK,
        device="C-0001",
        part=PART,
        position="A",
        bench=Bench(name="strangers", instruments=specs, positions=(position,)),
        max_s=600.0,
    )


class KeptSoak:
    """The keeper's process, its run's rows, its socket."""

    def __init__(self, plan: RunPlan, database: Path) -> None:
        self.database = database
        self.launched = launch([plan], database)
        (self.run_id,) = self.launched.run_ids
        self.path = database.with_name(self.run().control)

    def run(self) -> Run:
        with closing(Reader.open(self.database)) as reader:
            return reader.run(self.run_id)

    def events(self) -> list[Event]:
        with closing(Reader.open(self.database)) as reader:
            return [event for _, event in reader.events(self.run_id)]

    def columns(self) -> Any:
        with closing(Reader.open(self.database)) as reader:
            return reader.columns_after(self.run_id)

    def caller(self, within_s: float = 5.0) -> socket.socket:
        """Connect as somebody who has said nothing yet."""
        link = socket.socket(socket.AF_UNIX)
        link.settimeout(within_s)
        link.connect(str(self.path))
        return link

    @property
    def file(self) -> str:
        return file_of(self.database)

    def asked(self, request: object) -> Any:
        """Say a request as one who looks at this database; return the answer."""
        if isinstance(request, dict):
            request = request | {"database": self.file}
        return self.say(json.dumps(request).encode() + b"\n")

    def say(self, line: bytes) -> Any:
        """Send one line as it is; return the answer, decoded."""
        with self.caller() as link:
            link.sendall(line)
            link.shutdown(socket.SHUT_WR)
            with link.makefile("rb") as lines:
                return json.loads(lines.readline())

    def goes_on(self) -> bool:
        """Whether the keeper is there and its run open."""
        if self.launched.process.poll() is not None:
            return False
        answer = ask(self.path, Request("status"), self.file)
        runs = answer.data["runs"]
        return answer.ok and isinstance(runs, dict) and str(self.run_id) in runs

    def signal(self, number: signal.Signals) -> None:
        self.launched.process.send_signal(number)

    def instruments(self) -> list[int]:
        """Return the pids of its instrument processes."""
        return children_of(self.launched.pid)

    def end(self) -> None:
        self.launched.close()
        self.launched.process.kill()
        self.launched.process.wait()


@contextmanager
def kept_soak(folder: Path, **options: Any) -> Iterator[KeptSoak]:
    """Yield a soak that is under way, on a stranger's driver that always answers."""
    with pytest.MonkeyPatch.context() as patch:
        before = os.environ.get("PYTHONPATH", "")
        paths = filter(None, [str(STRANGERS), before])
        patch.setenv("PYTHONPATH", os.pathsep.join(paths))
        patch.setenv("XDG_STATE_HOME", str(folder))
        patch.syspath_prepend(str(STRANGERS))
        patch.setattr("sys.dont_write_bytecode", True)
        kept = KeptSoak(soak_plan(**options), folder / "bench.db")
    try:
        yield kept
    finally:
        kept.end()
