"""A line of chips: a simulated bench in this process, `trim --lot` as a process."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from warm_program import PROGRAM, Program

from benchlog.catalogue import load_part
from benchlog.clock import HostClock
from benchlog.model import Lot, Purpose
from benchlog.model.trims import SET, trim_notes
from benchlog.simulate import SimulatedBench, demo_scenario
from benchlog.simulate.ready_scenarios import DemoBench
from benchlog.store.reader import Reader

PART = "rc-8mhz-delivered"
SCALE = 10.0
LOT = "R1"
DONE = ("brought in", "was set aside:", "is not measured", ": held:")
CALMER = 0.1
"""Share of a usual RC oscillator's noise that is left: fewer codes are as good.
The room moves no chip, so that its register alone tells which code is best."""


@dataclass
class ChipLine:
    """A bench with a trimmer, a database, and chips that are put in one by one."""

    bench: SimulatedBench
    folder: Path
    environment: dict[str, str]
    popen: Any = Program
    """How programs are started; the nursery of `Program` serves one thread."""

    @property
    def db(self) -> Path:
        return self.folder / "line.db"

    def words(self, *more: str) -> list[str]:
        given = ["--bench", "bench.toml", "--part", PART, "--lot", LOT, "--ids", "-"]
        return [*PROGRAM, "trim", *given, *more]

    @contextmanager
    def start(self, *more: str) -> Iterator[Any]:
        with self.popen(
            self.words(*more),
            cwd=self.folder,
            env=self.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            try:
                yield process
            finally:
                process.kill()

    def trim(self, chips: Iterable[int], *more: str, kill_in: int | None = None) -> Any:
        """Put chips in and hand their ids over; kill it in the middle of one.

        Returns exit code and what was printed; None where it was killed.
        """
        heard = ""
        with self.start(*more) as process:
            for chip in chips:
                self.bench.insert("A", 0.0, f"chip-{chip}")
                process.stdin.write(f"C-{chip:03d}\n")
                process.stdin.flush()
                said = DONE if chip != kill_in else ("code 18:", "code 0:", *DONE)
                heard += hear_one_of(process, said)
                if chip == kill_in:
                    os.kill(process.pid, signal.SIGKILL)
                    process.wait(20)
                    return None
            out, err = process.communicate(timeout=60)
        return process.returncode, out, heard + err

    def codes(self) -> dict[str, int]:
        """Return the code of each device whose run counts."""
        found: dict[str, int] = {}
        with closing(Reader.open(self.db)) as reader:
            for run in reader.lot_runs(Lot(lot=LOT, part_id=PART), Purpose.TRIM):
                if run.counts:
                    notes = trim_notes(event for _, event in reader.events(run.run))
                    (found[run.device],) = [n.code for n in notes if n.what == SET]
        return found

    def runs(self) -> list[Any]:
        with closing(Reader.open(self.db)) as reader:
            return reader.lot_runs(Lot(lot=LOT, part_id=PART), Purpose.TRIM)


def hear_one_of(process: Any, said: Iterable[str]) -> str:
    """Read standard error until one of these was in a line of it; return it all."""
    heard = ""
    while True:
        line = process.stderr.readline()
        assert line, f"it ended: {heard}"
        heard += line
        if any(word in line for word in said):
            return heard


@contextmanager
def a_line(
    folder: Path,
    *,
    calmer: float = CALMER,
    scale: float = SCALE,
    feed: bool = False,
) -> Iterator[ChipLine]:
    kept = {k: v for k, v in os.environ.items() if not k.startswith("BENCHLOG_")}
    scenario = demo_scenario(
        load_part(PART),
        seed=5,
        offset_ppm=0.0,
        bench=DemoBench(gate_s=0.02, trimmer=True, feed=feed),
    )
    place = scenario.places[0]
    noise = {k: v * calmer for k, v in vars_of(place.oscillator.noise).items()}
    calm = replace(
        place.oscillator,
        noise=type(place.oscillator.noise)(**noise),
        law=replace(place.oscillator.law, linear_ppm_per_c=0.0),
    )
    scenario = replace(scenario, places=(replace(place, oscillator=calm),))
    with SimulatedBench(scenario, HostClock(scale)) as bench:
        (folder / "bench.toml").write_text(bench.bench_toml())
        more = {
            "BENCHLOG_DB": str(folder / "line.db"),
            "BENCHLOG_TIME_SCALE": f"{scale:g}",
            "XDG_STATE_HOME": str(folder / "state"),
            "XDG_CONFIG_HOME": str(folder / "config"),
        }
        yield ChipLine(bench, folder, kept | more)


def vars_of(noise: Any) -> dict[str, float]:
    return {name: getattr(noise, name) for name in noise.__dataclass_fields__}


def control_program(folder: Path, address: str) -> Path:
    """Write a programmer's stand-in: hands its words to the bench's control port."""
    host, port = address.rsplit(":", 1)
    path = folder / "programmer"
    path.write_text(
        f"#!{sys.executable} -IS\nimport socket, sys\n"
        f"with socket.create_connection(({host!r}, {port}), 5) as line:\n"
        "    line.sendall((' '.join(sys.argv[1:]) + '\\n').encode())\n"
        "    said = line.makefile().readline()\n"
        f"open({json.dumps(str(folder / 'burned'))}, 'a').write("
        "' '.join(sys.argv[1:]) + '\\n')\n"
        "sys.exit(0 if said.startswith('ok') else said)\n"
    )
    path.chmod(0o755)
    return path
