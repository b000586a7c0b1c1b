"""A factory's benches: databases with lots, invented, of any size."""

import shutil
from contextlib import closing
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from seeds import seeded_random
from store.making import BENCH, COUNTER, PART, TIMEBASE, leave_nameless

from benchlog.clock import VirtualClock
from benchlog.evaluation.document import figures
from benchlog.evaluation.lot_plan import plan_document
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.model import (
    Flag,
    Lot,
    Purpose,
    Reading,
    RunPlan,
)
from benchlog.store import identity, sqlite
from benchlog.store.reader import Reader
from benchlog.store.rows import VerdictRow
from benchlog.store.writer import Writer
from benchlog.verdict.lot.sampling_plan import custom_plan
from benchlog.verdict.run.judges import judge_for

SUPPLIERS = ("Invented Ltd", "Made Up & Sons", "Nowhere/Works")
DAY_S = 86_400
READINGS = 4


def bench_database(folder: Path, bench: int, lots: int, devices: int) -> Path:
    """Make the database of one bench with lots of a day or two each; its path.

    Alike ones are made once in a process. What is handed out is named as one that was
    made there, not as a copy.
    """
    path = folder / f"bench-{bench}.db"
    shutil.copy(_made(bench, lots, devices), path)
    with closing(sqlite.connect_to_write(path)) as link, sqlite.all_or_nothing(link):
        here = identity.place_of(path)
        identity.name_database(link, identity.new_uid(), here, identity.MADE)
    return path


@cache
def _kept() -> TemporaryDirectory[str]:
    """Return the folder of what was made; it goes with the process."""
    return TemporaryDirectory(prefix="benches")


@cache
def _made(bench: int, lots: int, devices: int) -> Path:
    path = Path(_kept().name) / f"{bench}-{lots}-{devices}.db"
    clock = VirtualClock(now_utc_ns=1_900_000_000 * 10**9 + bench)
    chance = seeded_random(bench)
    with Writer.open(path, clock) as writer, Reader.open(path) as reader:
        for number in range(lots):
            one = f"{bench}-{number:03d}/a=b"
            supplier = SUPPLIERS[(bench + number) % len(SUPPLIERS)]
            plan = plan_document(custom_plan(500, devices, 1))
            writer.open_lot(
                Lot(lot=one, part_id=PART.id, supplier=supplier, size=500, plan=plan),
                PART,
            )
            middle = chance.gauss(0, 16) + 0.5 * bench
            for device in range(devices):
                ppm = middle + chance.gauss(0, 6)
                who = f"{one}.{device}"
                _inspect(writer, reader, clock, (f"bench-{bench}", one, who, ppm))
            clock.sleep(DAY_S * chance.choice((1, 2)))
    leave_nameless(path)
    return path


def _inspect(writer, reader, clock, told) -> None:
    bench, lot, device, ppm = told
    plan = RunPlan(
        purpose=Purpose.INSPECT,
        device=device,
        part=PART,
        position="A",
        bench=replace(BENCH, name=bench),
        lot=lot,
    )
    run_id = writer.begin_run(plan, {"counter": COUNTER}, TIMEBASE)
    segment = writer.begin_segment(run_id)
    chance = seeded_random(device)
    rows = []
    for _ in range(READINGS):
        clock.sleep(1.0)
        hertz = 8e6 * (1 + (ppm + chance.gauss(0, 0.02)) * 1e-6)
        utc, mono = clock.utc_ns(), clock.mono_ns()
        rows.append(
            (run_id, segment, Reading(utc, mono, 1.0, hertz, 25.0, Flag.SIMULATED))
        )
    writer.commit(rows)
    writer.end_run(run_id, "verdict clear")
    run = reader.run(run_id)
    judge = judge_for(run)
    judge.feed(reader.columns_after(run_id))
    found = judge.assessment()
    row = VerdictRow(
        word=str(found.word),
        offset_ppm=found.offset_ppm,
        u_ppm=found.u_ppm,
        limit_ppm=found.limit.ppm,
        conformance=found.conformance,
        rule="rule",
        figures=figures(Evaluation(run=run, assessment=found)),
    )
    writer.add_verdict(run_id, row)
