"""A simulated counter in a process of its own, and the ways to read it.

Whoever reads it is in another process, as with a real one: nobody shares an
interpreter with the instrument.
"""

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pyvisa
from pyvisa.resources import MessageBasedResource

from benchlog import registry
from benchlog.catalogue import load_bench, load_part
from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.model import (
    Bench,
    InstrumentSpec,
    Purpose,
    RunPlan,
)
from benchlog.recorder.keeper import keep
from benchlog.recorder.notice import RunNotice
from benchlog.store import sqlite

GATE_S = 1e-3
_START_S = 20.0
_PART = "quartz-16mhz-30ppm"
_TABLE = """
create table if not exists readings (id integer primary key, utc_ns integer,
  mono_ns integer, gate_s real, frequency_hz real)
"""
_INSERT = """
insert into readings (utc_ns, mono_ns, gate_s, frequency_hz) values (?, ?, ?, ?)
"""


@dataclass(frozen=True, slots=True)
class Stretch:
    """When something read the counter, and how many of its readings arrived."""

    began_ns: int
    ended_ns: int
    readings: int

    @property
    def per_s(self) -> float:
        return self.readings / (self.ended_ns - self.began_ns) * 1e9


@contextmanager
def simulated_bench(folder: Path, truth: Path | None = None) -> Iterator[Bench]:
    """Serve a counter with a gate of 1 ms over TCP, and a thermometer."""
    file = folder / "simulated.toml"
    words = [str(Path(sys.executable).with_name("benchlog")), "simulate"]
    words += ["--until-eof", "--gate-s", str(GATE_S), "--bench-out", str(file)]
    words += ["--truth", str(truth)] if truth else []
    pipe, nowhere = subprocess.PIPE, subprocess.DEVNULL
    with subprocess.Popen(words, stdin=pipe, stdout=nowhere, stderr=nowhere) as process:
        limit = host_deadline(_START_S)
        while not file.exists():
            assert process.poll() is None and not limit.passed, "no simulated bench"
            host_sleep(0.05)
        yield load_bench(str(file))
        process.communicate(timeout=10)  # closes its standard input: that ends it


def counter_of(bench: Bench) -> InstrumentSpec:
    return bench.instruments[bench.positions[0].frequency]


def kept(
    bench: Bench,
    database: Path,
    readings: int,
    begun: Callable[[], object] = lambda: None,
) -> Stretch:
    """Let a keeper take readings, from the go to the last one committed."""
    clock = HostClock()
    began, ended, told_of = 0, 0, 0

    def tell(told: RunNotice) -> None:
        nonlocal began, ended, told_of
        if told.kind == "begun":
            begun()
            began = clock.mono_ns()
        elif told.kind == "reading":
            ended, told_of = clock.mono_ns(), told_of + 1

    plan = RunPlan(
        purpose=Purpose.MEASURE,
        device="C-0001",
        part=load_part(_PART),
        position=bench.positions[0].name,
        bench=bench,
        max_readings=readings,
    )
    keep([plan], database, clock, tell=tell)
    return Stretch(began, ended, told_of)


def asked(bench: Bench, database: Path | None, readings: int) -> Stretch:
    """Read with a bare PyVISA loop that commits each reading; None: commits nothing."""
    clock = HostClock()
    with (
        closing(pyvisa.ResourceManager("@py")) as manager,
        closing(manager.open_resource(counter_of(bench).address)) as counter,
        closing(_bare_database(database)) as connection,
    ):
        assert isinstance(counter, MessageBasedResource)
        counter.read_termination = counter.write_termination = "\n"
        counter.write(f"CONFigure:FREQuency;:SENSe:FREQuency:APERture {GATE_S}")
        gate_s = float(counter.query("SENSe:FREQuency:APERture?"))
        began = clock.mono_ns()
        for _ in range(readings):
            hertz = float(counter.query("READ?"))
            if database is not None:
                row = (clock.utc_ns(), clock.mono_ns(), gate_s, hertz)
                connection.execute(_INSERT, row)
        return Stretch(began, clock.mono_ns(), readings)


def driven(bench: Bench, readings: int) -> Stretch:
    """Read with benchlog's driver alone, without keeper and database."""
    clock = HostClock()
    spec = counter_of(bench)
    driver = registry.load(spec.driver)(spec.address, spec.options, clock)
    with closing(driver):
        driver.open()
        driver.identify()
        began = clock.mono_ns()
        for _ in range(readings):
            driver.read()
        return Stretch(began, clock.mono_ns(), readings)


def _bare_database(path: Path | None) -> sqlite.Connection:
    """Open a database with benchlog's durability: WAL, each commit on the disk."""
    connection = sqlite.Connection(path or ":memory:", isolation_level=None)
    connection.execute("pragma journal_mode=wal")
    connection.execute("pragma synchronous=full")
    connection.execute(_TABLE)
    return connection
