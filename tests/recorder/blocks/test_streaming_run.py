"""From a streaming counter over a socket to committed rows: all of it, or told."""

from contextlib import closing

import numpy as np

from benchlog.catalogue import load_bench, load_part
from benchlog.clock import HostClock
from benchlog.driver_kit.streams.stream_time import JUMP_S
from benchlog.model import EventKind, Flag, Purpose, RunPlan
from benchlog.recorder.keeper import keep
from benchlog.recorder.run.blocks import back_pressure
from benchlog.simulate import DemoBench, SimulatedBench, demo_scenario
from benchlog.simulate.physics.counting import CounterSpec
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

GATE_S = 1e-4
ROOMY = CounterSpec(resolution_s=1e-10)
PART = load_part("quartz-16mhz-30ppm")


def run_on(tmp_path, *, readings: int, counter: CounterSpec = ROOMY, seen=None):
    """Keep one run on a simulated streaming counter; return its rows and events."""
    at = DemoBench(gate_s=GATE_S, streams=True, counter=counter)
    scenario = demo_scenario(PART, bench=at)
    database = tmp_path / "bench.db"
    with SimulatedBench(scenario, HostClock()) as bench:
        file = tmp_path / "bench.toml"
        file.write_text(bench.bench_toml())
        loaded = load_bench(str(file))
        plan = RunPlan(
            purpose=Purpose.MEASURE,
            device="C-0001",
            part=PART,
            position=loaded.positions[0].name,
            bench=loaded,
            max_readings=readings,
            max_s=60.0,
        )
        (run_id,) = keep(
            [plan], database, HostClock(), tell=seen or (lambda told: None)
        )
    with closing(Reader.open(database)) as reader:
        events = [event for _, event in reader.events(run_id)]
        return reader.columns_after(run_id), events, reader.run(run_id)


def test_every_reading_is_a_row_with_its_own_time(tmp_path) -> None:
    rows, events, run = run_on(tmp_path, readings=4_000)
    assert len(rows) == 4_000 and run.ended_how == "readings reached"
    assert set(rows.flags.tolist()) == {int(Flag.SIMULATED)}
    assert np.all(rows.gate_s == GATE_S)
    apart = np.diff(rows.mono_ns)
    assert np.all(apart > 0)
    assert np.mean(np.abs(apart - GATE_S * 1e9) < 2) > 0.99
    assert abs(rows.frequency_hz.mean() / 16e6 - 1) < 30e-6
    kinds = {event.kind for event in events}
    assert not kinds & {EventKind.GAP, EventKind.REJECTED, EventKind.FAULT}
    assert run.verdict in ("pass", "fail", "undecided")


def test_a_buffer_that_overran_is_told_and_marked(tmp_path) -> None:
    short = CounterSpec(room=300)  # 30 ms, less than between two looks
    rows, events, _ = run_on(tmp_path, readings=2_000, counter=short)
    told = [event.text for event in events if event.kind == EventKind.GAP]
    told = [text for text in told if text.startswith("the counter lost ")]
    assert told
    marked = np.flatnonzero(rows.flags & int(Flag.GAP_BEFORE))
    assert len(marked) >= len(told) - 1
    # less may be how late a stream began, which its first blocks tell
    jumps = np.flatnonzero(np.diff(rows.mono_ns) > (JUMP_S + GATE_S) * 1e9) + 1
    assert set(jumps.tolist()) <= set(marked.tolist())


def test_a_slow_disk_stops_the_counter_and_nothing_is_lost_in_silence(
    tmp_path, monkeypatch
) -> None:
    """Beyond a bound the counter is not read; its own buffer holds what comes."""
    monkeypatch.setattr(back_pressure, "MOST_WAITING", 2_000)
    monkeypatch.setattr(back_pressure, "_AGAIN", 1_000)
    slow = {"left": 2}

    def stuck(self, run_id, segment_id, block) -> None:
        from benchlog.errors import StoreLockedError

        if slow["left"] and len(seen) > 3:
            slow["left"] -= 1
            raise StoreLockedError("another program holds it")
        honest(self, run_id, segment_id, block)

    seen: list[object] = []
    honest = Writer.commit_block
    monkeypatch.setattr(Writer, "commit_block", stuck)
    rows, events, _ = run_on(tmp_path, readings=12_000, seen=seen.append)
    assert len(rows) == 12_000
    texts = [event.text for event in events]
    assert any("the counter is not read until" in text for text in texts)
    assert "the counter is read again" in texts
    assert not rows.flags.astype(int).tolist().count(-1)
    assert not np.any(rows.flags & int(Flag.GAP_BEFORE))
    assert np.all(np.diff(rows.mono_ns) > 0)
