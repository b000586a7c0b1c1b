"""Invented parts, benches and readings for the tests of store and report."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from benchlog.clock import VirtualClock
from benchlog.model import (
    Bench,
    Flag,
    Identity,
    InstrumentSpec,
    Kind,
    Limits,
    Load,
    Part,
    PositionSpec,
    Purpose,
    Reading,
    RunPlan,
    TemperatureLaw,
    Timebase,
)
from benchlog.store.reader import Reader
from benchlog.store.rows import Row
from benchlog.store.writer import Writer

PART = Part(
    id="quartz-16mhz",
    title="16 MHz quartz",
    kind=Kind.QUARTZ,
    nominal_hz=16e6,
    limits=Limits(tolerance_ppm=30.0, stability_ppm=50.0, range_c=(-10.0, 70.0)),
    temperature=TemperatureLaw(law="cubic", reference_c=25.0, cubic_ppm_per_c3=1e-4),
    load=Load(18.0, 5.0, 20.0),
)
BENCH = Bench(
    name="two-counters",
    instruments={
        "counter": InstrumentSpec(
            name="counter", driver="scpi-counter", address="TCPIP::h::1::SOCKET"
        ),
        "room": InstrumentSpec(name="room", driver="typed-in", options={"value": 25.0}),
    },
    positions=(
        PositionSpec(name="A", frequency="counter", ambient="room", divider=2.0),
    ),
)
COUNTER = Identity("m,c,17,1.0", "m", "c", "17", "1.0", settings={"gate_s": "1"})
TIMEBASE = Timebase(status="assumed", offset_ppm=0.0, u_ppm=0.577)


def plan(device: str = "D1", **more: object) -> RunPlan:
    fields = {"purpose": Purpose.MEASURE, "part": PART, "position": "A", "bench": BENCH}
    return RunPlan(device=device, **{**fields, **more})


def begin(writer: Writer, device: str = "D1", **more: object) -> tuple[int, int]:
    run = writer.begin_run(plan(device, **more), {"counter": COUNTER}, TIMEBASE)
    return run, writer.begin_segment(run)


def reading(index: int, **more: object) -> Reading:
    fields = {
        "utc_ns": 1_900_000_000_000_000_000 + index * 1_000_000_000,
        "mono_ns": index * 1_000_000_000,
        "gate_s": 1.0,
        "frequency_hz": 8e6 + index % 7 * 0.25,
        "ambient_c": 25.0 + index % 3,
        "flags": Flag.NONE,
    }
    return Reading(**{**fields, **more})


def rows(run: int, segment: int, count: int, first: int = 0) -> list[Row]:
    return [(run, segment, reading(i)) for i in range(first, first + count)]


@cache
def _empty() -> bytes:
    """Return a database without runs and without a name."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "bench.db"
        Writer.open(path, VirtualClock()).close()
        leave_nameless(path)
        return path.read_bytes()


def leave_nameless(path: Path) -> None:
    """Take the name from a database, so that copies of it can have one each."""
    of_names = "select name, sql from sqlite_master where tbl_name = 'database_uids'"
    with closing(sqlite3.connect(path)) as link, link:
        guards = link.execute(f"{of_names} and type = 'trigger'").fetchall()
        for name, _ in guards:
            link.execute(f"drop trigger {name}")
        link.execute("delete from database_uids")
        for _, sql in guards:
            link.execute(sql)


def fresh_writer(folder: Path, **more: object) -> Iterator[Writer]:
    """Give a writer of a new database, whose tables were made before.

    Making them is half the time of many a test; opening it gives it its name.
    """
    path = folder / "bench.db"
    path.write_bytes(_empty())
    with Writer.open(path, VirtualClock(), **more) as writer:
        yield writer


def connection_of(one: Writer | Reader) -> Any:
    """Return the connection itself, to see or damage what the public side hides."""
    return one._connection  # private: files must be damaged as other tools would


def clock_of(writer: Writer) -> VirtualClock:
    """Return the clock that the writer was given, to let time pass."""
    clock = writer._clock  # private: the fixture that made it hands out the writer only
    assert isinstance(clock, VirtualClock)
    return clock
