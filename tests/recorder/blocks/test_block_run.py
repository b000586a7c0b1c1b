"""A block is accepted as its readings would be, had each come alone."""

import math
from dataclasses import replace

import numpy as np
import pytest
from seeds import seeded_generator

from benchlog.clock import HostClock, VirtualClock
from benchlog.model import Event, EventKind, Flag, Reading, Sample, SampleBlock
from benchlog.recorder.run.blocks.block_run import BlockRun
from benchlog.recorder.run.bookkeeper import why_over
from benchlog.store.reading_block import ReadingBlock
from benchlog.verdict.run.reading_judge import RunJudge

GATE_NS = 1_000_000
UTC_AHEAD = 10**18


class Patient(VirtualClock):
    """A virtual clock on which a person's patience lasts as long as on a real one."""

    def real_s(self, bench_s: float) -> float:
        return bench_s


@pytest.fixture
def make_run(plan_for):
    def make(readings=None, clock=None) -> BlockRun:
        plan = plan_for("any", readings=readings)
        return BlockRun(
            plan=plan,
            position=plan.bench.positions[0],
            spec=plan.bench.instruments["counter"],
            run_id=1,
            segment_id=1,
            judge=RunJudge(plan.part),
            clock=clock or HostClock(),
        )

    return make


def block_of(values, times=None, *, begin_ns=10**9, **more) -> SampleBlock:
    values = np.array(values, float)
    if times is None:
        times = begin_ns + GATE_NS * np.arange(1, len(values) + 1)
    return SampleBlock(
        values=values,
        mono_ns=np.array(times, np.int64),
        utc_ahead_ns=UTC_AHEAD,
        unit="Hz",
        gate_s=GATE_NS / 1e9,
        **more,
    )


def readings_of(records) -> list[Reading]:
    return [
        reading
        for record in records
        if isinstance(record, ReadingBlock)
        for reading in record.readings()
    ]


def events_of(records, kind) -> list[str]:
    return [r.text for r in records if isinstance(r, Event) and r.kind == kind]


def one_by_one(run: BlockRun, block: SampleBlock) -> list[Reading]:
    """Return what accepting the readings of a block each alone gives."""
    found = []
    for value, mono_ns in zip(
        block.values.tolist(), block.mono_ns.tolist(), strict=True
    ):
        utc_ns = mono_ns + block.utc_ahead_ns
        sample = Sample(value, "Hz", mono_ns, utc_ns, block.gate_s)
        found += [
            one for one in run.accept_sample(sample, 0.0) if isinstance(one, Reading)
        ]
    return found


@pytest.mark.parametrize("seed", range(12))
def test_a_block_gives_the_readings_that_samples_give(make_run, seed) -> None:
    rng = seeded_generator([5, seed])
    count = int(rng.integers(1, 400))
    values = 16e6 + rng.normal(0, 5, count)
    odd = rng.random(count)
    values[odd < 0.02] *= 2.0  # near a multiple
    values[(odd > 0.02) & (odd < 0.04)] *= 1.01  # far
    gates = rng.choice([1.0, 1.0, 1.0, 0.97], count)
    if seed % 3 == 0:
        gates[: count // 2] = 0.05  # faster than its gate: refused after a while
    times = 10**9 + np.cumsum(gates * GATE_NS).astype(np.int64)
    block = block_of(values, times)
    alone, together = make_run(), make_run()
    expected = one_by_one(alone, block)
    pieces = np.array_split(np.arange(count), int(rng.integers(1, 4)))
    got = [
        reading
        for part in pieces
        if len(part)
        for reading in readings_of(
            together.accept_block(block_of(values[part], times[part]), 0.0)
        )
    ]
    assert got == expected
    assert together.accepted == alone.accepted
    assert together.previous_mono_ns == alone.previous_mono_ns


def test_what_the_driver_tells_to_be_missing_is_marked(make_run) -> None:
    run = make_run()
    run.accept_block(block_of([16e6] * 4), 0.0)
    late = block_of([16e6] * 6, begin_ns=2 * 10**9, breaks=(0, 3))
    records = run.accept_block(late, 0.0)
    marked = [bool(r.flags & Flag.GAP_BEFORE) for r in readings_of(records)]
    assert marked == [True, False, False, True, False, False]
    (text,) = events_of(records, EventKind.GAP)
    assert text.startswith("readings are missing at 2 places")


def test_what_the_counter_lost_is_told_with_its_number(make_run) -> None:
    run = make_run()
    run.accept_block(block_of([16e6] * 4), 0.0)
    more = block_of([16e6] * 4, begin_ns=2 * 10**9, breaks=(0,), lost=1234)
    (text,) = events_of(run.accept_block(more, 3.2), EventKind.GAP)
    assert "lost 1,234 readings" in text and "3.20 s" in text


def test_a_jump_of_times_that_no_driver_told_is_marked(make_run) -> None:
    run = make_run()
    times = 10**9 + GATE_NS * np.array([1, 2, 3, 203, 204])
    records = run.accept_block(block_of([16e6] * 5, times), 0.0)
    marked = [bool(r.flags & Flag.GAP_BEFORE) for r in readings_of(records)]
    assert marked == [False, False, False, True, False]
    assert events_of(records, EventKind.GAP) == ["0.2 s without a reading"]


def test_the_first_reading_of_all_follows_on_nothing(make_run) -> None:
    records = make_run().accept_block(block_of([16e6] * 3, breaks=(0,)), 0.0)
    assert [r.flags for r in readings_of(records)] == [Flag.NONE] * 3
    assert not events_of(records, EventKind.GAP)


def test_no_frequency_is_refused_told_and_leaves_a_gap(make_run) -> None:
    run = make_run()
    values = [16e6, math.nan, 16e6, math.inf, -math.inf, 0.0, -5.0, 16e6, math.nan]
    records = run.accept_block(block_of(values), 0.0)
    kept = readings_of(records)
    assert [r.frequency_hz for r in kept] == [16e6] * 3
    assert [bool(r.flags & Flag.GAP_BEFORE) for r in kept] == [False, True, True]
    told = events_of(records, EventKind.REJECTED)
    assert told == ["value refused, no frequency: nan"]
    assert run.last_refusals()[0].text.startswith("5 values more that are no frequency")
    after = readings_of(run.accept_block(block_of([16e6], begin_ns=2 * 10**9), 0.0))
    assert after[0].flags & Flag.GAP_BEFORE


def test_a_block_of_before_is_refused(make_run) -> None:
    run = make_run()
    run.accept_block(block_of([16e6] * 4), 0.0)
    records = run.accept_block(block_of([16e6] * 4), 0.0)
    assert readings_of(records) == []
    assert events_of(records, EventKind.REJECTED)[0].endswith("time not increasing")


def test_readings_beyond_those_asked_for_are_left_out(make_run) -> None:
    run = make_run(readings=10)
    first = readings_of(run.accept_block(block_of([16e6] * 8), 0.0))
    rest = readings_of(run.accept_block(block_of([16e6] * 8, begin_ns=10**10), 0.0))
    assert (len(first), len(rest)) == (8, 2)
    assert run.full


def test_a_judge_is_fed_the_same_by_blocks(make_run) -> None:
    rng = seeded_generator(3)
    block = block_of(16e6 + rng.normal(0, 1, 500))
    alone, together = make_run(), make_run()
    alone.feed(one_by_one(alone, block))
    (kept,) = together.accept_block(block, 0.0)
    (newest,) = together.feed([kept])
    assert newest == kept.readings()[-1]
    assert together.fed == alone.fed == 500
    assert together.judge.assessment() == alone.judge.assessment()


def test_digits_beyond_a_float_are_kept_as_text(make_run) -> None:
    texts = ("16000000.123456789012", "16000000.5")
    block = block_of([float(one) for one in texts], texts=texts, step=1e-12)
    (kept,) = make_run().accept_block(block, 0.0)
    assert kept.raw == [texts[0], None]


def test_an_end_tells_what_had_not_arrived(make_run) -> None:
    clock = Patient(10**9)
    run = make_run(clock=clock)
    assert run.behind() == ""
    run.accept_block(block_of([16e6] * 4), 0.0)
    assert run.behind() == ""
    clock.sleep(3.0)
    assert run.behind() == "readings of the last 3 s had not arrived"


def test_old_readings_that_come_now_are_no_silence(make_run) -> None:
    """A process that was held up hands over what it has kept: nobody waits in vain."""
    clock = Patient(10**9)
    run = make_run(readings=10**6, clock=clock)
    run.plan = replace(run.plan, max_s=None)
    run.accept_block(block_of([16e6] * 4), 0.0)
    clock.sleep(3_600.0)
    assert why_over(run) == "no readings came"
    run.accept_block(block_of([16e6] * 4, begin_ns=2 * 10**9), 0.0)
    assert why_over(run) == ""
