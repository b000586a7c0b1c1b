"""Databases of benches with runs to send, invented, of any size."""

import math
from dataclasses import replace
from pathlib import Path

from store.making import BENCH, COUNTER, PART, TIMEBASE

from benchlog.clock import VirtualClock
from benchlog.model import Event, EventKind, Flag, Purpose, Reading, RunPlan
from benchlog.store.rows import Amendment, VerdictRow
from benchlog.store.writer import Writer

_ROWS = 10_000


def clock_from(day: int = 0) -> VirtualClock:
    return VirtualClock(now_utc_ns=1_900_000_000 * 10**9 + day * 86_400 * 10**9)


def add_run(writer: Writer, clock: VirtualClock, device: str, readings: int) -> int:
    """Measure a device: readings 1 ms apart, an event, an end, a verdict."""
    plan = RunPlan(
        purpose=Purpose.MEASURE,
        device=device,
        part=PART,
        position="A",
        bench=replace(BENCH, name="made"),
    )
    run = writer.begin_run(plan, {"counter": COUNTER}, TIMEBASE)
    segment = writer.begin_segment(run)
    for first in range(0, readings, _ROWS):
        rows = []
        for number in range(first, min(first + _ROWS, readings)):
            clock.sleep(0.001)
            hertz = 8e6 * (1 + 1e-6 * math.sin(number * 0.1))
            utc, mono = clock.utc_ns(), clock.mono_ns()
            rows.append(
                (run, segment, Reading(utc, mono, 0.001, hertz, 25.0, Flag.SIMULATED))
            )
        writer.commit(rows)
    event = Event(
        clock.utc_ns(), clock.mono_ns(), EventKind.NOTE, f"{device} is done", ""
    )
    writer.commit([(run, segment, event)])
    writer.end_run(run, "verdict clear")
    row = VerdictRow(
        word="pass", offset_ppm=0.1, u_ppm=0.2, limit_ppm=30.0, conformance=1.0,
        rule="made", figures={"readings": readings},
    )  # fmt: skip
    writer.add_verdict(run, row)
    return run


def amend(writer: Writer, run: int, reason: str) -> None:
    writer.amend(run, Amendment(kind="void", reason=reason))


def made_database(path: Path, runs: int, readings: int) -> Path:
    """Make a database of so many runs of so many readings."""
    clock = clock_from()
    with Writer.open(path, clock) as writer:
        for number in range(runs):
            clock.sleep(1.0)
            add_run(writer, clock, f"M{number:04d}", readings)
    return path
