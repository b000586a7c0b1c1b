"""A simulated bench in this process, devices put in and taken out by hand."""

import json
import os
import subprocess
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from schemas_held import hold_printed
from warm_program import PROGRAM, Program, run

from benchlog.catalogue import load_part
from benchlog.clock import HostClock
from benchlog.model import Lot, LotRun
from benchlog.simulate import SimulatedBench, demo_scenario
from benchlog.simulate.ready_scenarios import DemoBench
from benchlog.store.reader import Reader

SCALE = 20.0
GATE_S = 0.2
HURRIED_SCALE, HURRIED_GATE_S = 40.0, 1.0
PART = "quartz-16mhz-30ppm"


@dataclass
class Shop:
    """A folder with a bench, a database, and the command line."""

    folder: Path
    bench: SimulatedBench
    environment: dict[str, str] = field(default_factory=dict)
    part: str = PART

    @property
    def db(self) -> Path:
        return self.folder / "lots.db"

    def words(self, *more: str, lot: str = "L1") -> list[str]:
        return [*PROGRAM, "inspect", "--lot", lot, *more]

    def opening(self, size: int, sample: int, accept: int, *more: str) -> list[str]:
        plan = ["--lot-size", str(size), "--sample", str(sample)]
        given = ["--bench", "bench.toml", "--part", self.part, "--accept", str(accept)]
        return self.words(*given, *plan, *more)

    @contextmanager
    def start(self, words: list[str], **more: Any) -> "Iterator[subprocess.Popen[str]]":
        with Program(
            words,
            cwd=self.folder,
            env=self.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            **more,
        ) as process:
            try:
                yield process
            finally:
                process.kill()

    def run(self, words: list[str], ids: str = "") -> subprocess.CompletedProcess[str]:
        done = run(
            words,
            cwd=self.folder,
            env=self.environment,
            input=ids,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        hold_printed(words, done.stdout)
        return done

    def runs(self, lot: str = "L1") -> list[LotRun]:
        with closing(Reader.open(self.db)) as reader:
            return reader.lot_runs(Lot(lot=lot, part_id=self.part))

    def kinds(self, run: int) -> list[str]:
        with closing(Reader.open(self.db)) as reader:
            return [str(event.kind) for _, event in reader.events(run)]


def hear(process: "subprocess.Popen[str]", *said: str) -> str:
    """Read what a program says on standard error until all of this was in it."""
    assert process.stderr is not None
    heard = ""
    while not all(word in heard for word in said):
        line = process.stderr.readline()
        assert line, f"it ended; {said} not in {heard}"
        heard += line
    return heard


def document(done: subprocess.CompletedProcess[str]) -> dict[str, Any]:
    assert "Traceback" not in done.stderr, done.stderr
    found = json.loads(done.stdout, parse_constant=pytest.fail)
    assert isinstance(found, dict)
    return found


@contextmanager
def a_shop(
    tmp_path: Path,
    gate_s: float = GATE_S,
    scale: float = SCALE,
    *,
    second: bool = False,
    one_counter: bool = False,
    part: str = PART,
) -> Iterator[Shop]:
    kept = {k: v for k, v in os.environ.items() if not k.startswith("BENCHLOG_")}
    scenario = demo_scenario(
        load_part(part),
        offset_ppm=3.0,
        bench=DemoBench(
            gate_s=gate_s,
            positions=2 if second or one_counter else 1,
            one_counter=one_counter,
        ),
    )
    with SimulatedBench(scenario, HostClock(scale)) as bench:
        (tmp_path / "bench.toml").write_text(bench.bench_toml())
        more = {
            "BENCHLOG_DB": str(tmp_path / "lots.db"),
            "BENCHLOG_TIME_SCALE": f"{scale:g}",
            "XDG_STATE_HOME": str(tmp_path / "state"),
            "XDG_CONFIG_HOME": str(tmp_path / "config"),
        }
        yield Shop(tmp_path, bench, kept | more, part)
