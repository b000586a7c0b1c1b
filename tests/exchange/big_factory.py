"""A factory of many benches, invented: databases with many runs of many readings.

    PYTHONPATH=tests python tests/exchange/big_factory.py FOLDER [BENCHES RUNS READINGS]

makes FOLDER/bench-0.db and so on: 40 of 125 runs of 4,000 readings unless told, 2e7 in
all. A bench has five lots, of three suppliers, and its runs are within one month. Runs,
lots and verdicts go in by the writer. Readings are the same white noise about each
run's own offset and go in by SQL, a run at a time: by the writer 2e7 of them take
half an hour. The figures are those of one run that was judged, moved to each offset.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from store.making import BENCH, COUNTER, PART, TIMEBASE

from benchlog.clock import VirtualClock
from benchlog.evaluation.document import figures
from benchlog.evaluation.lot_plan import plan_document
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.model import Flag, Lot, Purpose, Reading, RunPlan
from benchlog.store.reader import Reader
from benchlog.store.rows import VerdictRow
from benchlog.store.sqlite import sqlite3
from benchlog.store.writer import Writer
from benchlog.verdict.lot.sampling_plan import custom_plan
from benchlog.verdict.run.judges import judge_for

SUPPLIERS = ("Invented Ltd", "Made Up & Sons", "Nowhere/Works")
START_NS = 1_900_000_000 * 10**9  # 2030-03-17
LOTS = 5
GATE_S = 0.1


def bench_of_a_factory(folder: Path, bench: int, runs: int, readings: int) -> Path:
    """Make the database of one bench; its path. The same numbers give the same rows."""
    path = folder / f"bench-{bench}.db"
    clock = VirtualClock(now_utc_ns=START_NS + bench)
    rng = np.random.default_rng([17, bench])
    noise_ppm = 0.02 * rng.standard_normal(readings)
    each = -(-runs // LOTS)
    told: list[tuple[int, int, int, int, float]] = []
    with Writer.open(path, clock) as writer, Reader.open(path) as reader:
        judged = _judged(writer, reader, clock, noise_ppm)
        for number in range(1, runs):
            lot = f"{bench}-{number // each}"
            if number % each == 0 or number == 1:
                _open_lot(writer, lot, each, bench + number // each)
            ppm = 10.0 * rng.standard_normal() + 0.5 * (bench % 7)
            plan = _plan(bench, lot, f"{lot}.{number % each}")
            run_id = writer.begin_run(plan, {"counter": COUNTER}, TIMEBASE)
            segment = writer.begin_segment(run_id)
            told.append((run_id, segment, clock.utc_ns(), clock.mono_ns(), ppm))
            clock.sleep(GATE_S * readings + 1.0)
            writer.end_run(run_id, "verdict clear")
            writer.add_verdict(run_id, _moved(judged, ppm))
    _insert(path, noise_ppm, told)
    return path


def _judged(writer, reader, clock, noise_ppm) -> VerdictRow:
    """Measure the first run, of no lot, and judge it as a keeper does."""
    plan = replace(_plan(0, None, "the-first"), purpose=Purpose.MEASURE)
    run_id = writer.begin_run(plan, {"counter": COUNTER}, TIMEBASE)
    segment = writer.begin_segment(run_id)
    rows = []
    for ppm in noise_ppm.tolist():
        clock.sleep(GATE_S)
        hertz, utc, mono = 8e6 * (1 + ppm * 1e-6), clock.utc_ns(), clock.mono_ns()
        told = Reading(utc, mono, GATE_S, hertz, 25.0, Flag.SIMULATED)
        rows.append((run_id, segment, told))
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
    return row


def _moved(judged: VerdictRow, ppm: float) -> VerdictRow:
    """Return a verdict at another offset."""
    offset, u, limit = judged.offset_ppm + ppm, judged.u_ppm, judged.limit_ppm
    word = "pass" if abs(offset) + u <= limit else "undecided"
    word = "fail" if abs(offset) - u > limit else word
    told = {**judged.figures, "offset_ppm": offset, "verdict": word}
    return replace(judged, word=word, offset_ppm=offset, figures=told)


def _open_lot(writer, lot: str, devices: int, supplier: int) -> None:
    plan = plan_document(custom_plan(500, devices, 1))
    name = SUPPLIERS[supplier % len(SUPPLIERS)]
    told = Lot(lot=lot, part_id=PART.id, supplier=name, size=500, plan=plan)
    writer.open_lot(told, PART)


def _plan(bench: int, lot: str | None, device: str) -> RunPlan:
    return RunPlan(
        purpose=Purpose.INSPECT,
        device=device,
        part=PART,
        position="A",
        bench=replace(BENCH, name=f"bench-{bench}"),
        lot=lot,
    )


def _insert(path: Path, noise_ppm: np.ndarray, told: list[tuple]) -> None:
    """Give the runs their readings, each run the same noise about its own offset."""
    step = round(GATE_S * 1e9)
    tail = f", {GATE_S}, 8e6 * (1 + (? + ppm) * 1e-6), 25.0, {int(Flag.SIMULATED)}"
    sql = (
        "insert into readings (run_id, segment_id, utc_ns, mono_ns, gate_s,"
        " frequency_hz, ambient_c, flags)"
        f" select ?, ?, ? + n * {step}, ? + n * {step}{tail} from noise order by n"
    )
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("create temp table noise (n integer primary key, ppm real)")
    connection.executemany("insert into noise(ppm) values (?)", zip(noise_ppm.tolist()))
    connection.execute("begin")
    connection.executemany(sql, told)
    connection.execute("commit")
    connection.close()


def main(words: list[str]) -> None:
    """Make the databases named on the command line."""
    folder = Path(words[0])
    benches, runs, readings = [int(word) for word in words[1:]] or [40, 125, 4_000]
    folder.mkdir(parents=True, exist_ok=True)
    for bench in range(benches):
        print(bench_of_a_factory(folder, bench, runs, readings), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
