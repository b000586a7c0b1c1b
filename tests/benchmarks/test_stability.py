"""Stability statistics beside a general-purpose library, same arrays, same process.

    pytest -m benchmark -s tests/benchmarks/test_stability.py

Reference: AllanTools 2024.6. The bound of one memory pass per averaging time is what
`np.max` over the phase takes, times the number of averaging times.
"""

import subprocess
import sys
import time
import tracemalloc

import allantools
import numpy as np
import pytest
from benchmarks.results import report
from columns_maker import columns, part_of
from seeds import seeded_generator
from store.making import begin, reading

from benchlog.analysis.running import Running
from benchlog.analysis.series import Series, series_from_columns
from benchlog.analysis.stability.estimation import stabilities, stability
from benchlog.catalogue import load_part
from benchlog.clock import HostClock, VirtualClock
from benchlog.store.writer import Writer
from benchlog.verdict.run.reading_judge import RunJudge

pytestmark = pytest.mark.benchmark
CLOCK = HostClock()
BATCH = 10_000
KINDS = ("adev", "mdev", "hdev", "tdev")
PEERS = (allantools.oadev, allantools.mdev, allantools.ohdev, allantools.tdev)


def seconds(work, rounds=5):
    """Best of some rounds: what the machine's other work adds is not ours."""
    taken = []
    for _ in range(rounds):
        start = CLOCK.mono_ns()
        work()
        taken.append((CLOCK.mono_ns() - start) / 1e9)
    return min(taken)


def processor_s(work):
    """Processor time: what others do meanwhile is not in it."""
    start = time.process_time()
    work()
    return time.process_time() - start


def in_turn(ours, peer, rounds=7):
    """Best processor time of each, a round of one and one of the other in turn."""
    pairs = [(processor_s(ours), processor_s(peer)) for _ in range(rounds)]
    return tuple(map(min, zip(*pairs, strict=True)))


def peak(work):
    """Bytes allocated at most while the work is done."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def phase_of(n):
    return np.cumsum(seeded_generator(1).standard_normal(n))


def theirs(phase, peer, taus="octave"):
    return peer(phase, rate=1.0, data_type="phase", taus=taus)


def test_four_deviations_in_one_call():
    phase = phase_of(1_000_000)
    data = Series(phase, 1.0, "phase")
    rows = stabilities(data, KINDS)
    ours_s, peer_s = in_turn(
        lambda: stabilities(data, KINDS),
        lambda: [theirs(phase, peer) for peer in PEERS],
    )
    pass_s = seconds(phase.max) * len(rows[0].rows)
    share = peak(lambda: stabilities(data, KINDS)) / phase.nbytes
    report(
        "Allan, modified, Hadamard and time deviation of 1e6 phases",
        ("", "s", "times the bound", "ratio"),
        [
            ("bound: one pass per averaging time", f"{pass_s:.4f}", "1", ""),
            ("benchlog", f"{ours_s:.3f}", f"{ours_s / pass_s:.0f}", ""),
            ("AllanTools", f"{peer_s:.3f}", "", f"{peer_s / ours_s:.1f}"),
        ],
        f"Processor time; target: ratio >= 8. Peak memory beyond the phase: "
        f"{share:.2f} of it (target: <= 1). Each averaging time takes six differences "
        "and sums and three products: that is what the bound does not count. Decision: "
        "numpy alone. The same sums in C, a loop for each octave, took 23 ms where "
        "numpy took 34 (gcc -O3 -ffast-math), and 14 ms compiled for this very "
        "processor: not worth a wheel for each platform. numba and pythran, which "
        "compile the same loop, were not tried.",
    )
    assert peer_s / ours_s >= 8
    assert share <= 1


def test_mtie():
    phase = phase_of(100_000)
    data = Series(phase, 1.0, "phase")
    ours_s = seconds(lambda: stability(data, "mtie"))
    peer_s = seconds(lambda: theirs(phase, allantools.mtie), 1)
    pass_s = seconds(phase.max) * len(stability(data, "mtie").rows)
    share = peak(lambda: stability(data, "mtie")) / phase.nbytes
    report(
        "MTIE of 1e5 phases, octaves",
        ("", "s", "times the bound", "ratio"),
        [
            ("bound: one pass per averaging time", f"{pass_s:.5f}", "1", ""),
            ("benchlog", f"{ours_s:.4f}", f"{ours_s / pass_s:.0f}", ""),
            ("AllanTools", f"{peer_s:.3f}", "", f"{peer_s / ours_s:.0f}"),
        ],
        f"Target: ratio >= 50. Peak memory beyond the phase: {share:.2f} of it "
        "(target: <= 1).",
    )
    assert peer_s / ours_s >= 50
    assert share <= 1


ADEV = """
import os
import sys
import numpy as np
from pathlib import Path
from benchlog.clock import HostClock, VirtualClock
from benchlog.store.writer import Writer
from benchlog.evaluation.studies import series_of
from benchlog.analysis.stability.estimation import stability
from benchlog.store.reader import Reader

before_s = sum(os.times()[:2])
clock = HostClock()
begin = clock.mono_ns()
with Reader.open(Path(sys.argv[1])) as reader:
    run = reader.latest_run()
    series = series_of(reader, run)
fetched = clock.mono_ns()
rows = stability(series).rows
end = clock.mono_ns()
processor_s = sum(os.times()[:2]) - before_s
passes = min(-clock.mono_ns() + (series.values.max(), clock.mono_ns())[1]
             for _ in range(3))
status = Path("/proc/self/status").read_text()
peak_kb = next(x.split()[1] for x in status.splitlines() if x.startswith("VmHWM"))
print((fetched - begin) / 1e9, (end - fetched) / 1e9, int(peak_kb) / 1e3,
      passes * len(rows) / 1e9, processor_s, len(series))
"""


def long_run(path, n):
    """Make a run of n readings with the store's writer."""
    ppm = 1e-3 * seeded_generator(1).standard_normal(n)
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        for start in range(0, n, BATCH):
            some = 8e6 * (1 + 1e-6 * ppm[start : start + BATCH])
            writer.commit(
                [
                    (run, segment, reading(start + k, frequency_hz=f))
                    for k, f in enumerate(some.tolist())
                ]
            )


def test_ten_million_from_sqlite(tmp_path):
    """A run's readings from the database to overlapping ADEV: at most 6 s, 300 MB.

    In a process of its own: the memory is all it ever held, interpreter included.
    """
    n, path = 10_000_000, tmp_path / "long.db"
    long_run(path, n)
    rounds = [
        [float(x) for x in asked.stdout.split()]
        for asked in (
            subprocess.run(
                [sys.executable, "-c", ADEV, path],
                capture_output=True,
                text=True,
                check=True,
            )
            for _ in range(3)
        )
    ]
    assert {one[5] for one in rounds} == {n}
    best = min(rounds, key=lambda one: one[0] + one[1])
    fetched_s, adev_s, peak_mb, pass_s, processor_s, _ = best
    both_s = fetched_s + adev_s
    report(
        "1e7 readings from the database to overlapping ADEV",
        ("", "s", "times the bound", "target"),
        [
            ("bound: one pass per averaging time", f"{pass_s:.2f}", "1", ""),
            ("from database to grid", f"{fetched_s:.2f}", "", ""),
            ("ADEV, octaves", f"{adev_s:.2f}", f"{adev_s / pass_s:.0f}", ""),
            ("both", f"{both_s:.2f}", f"{both_s / pass_s:.0f}", "<= 6"),
            ("both, processor time", f"{processor_s:.2f}", "", ""),
        ],
        f"Best of 3. Resident memory of the process at most {peak_mb:.0f} MB, "
        "interpreter included (target: <= 300).",
    )
    assert both_s <= 6
    assert peak_mb <= 300


def test_running_figures_per_reading():
    """Fed one by one and in thousands, at the start of a run and late in it."""
    whole = columns(16e6 * (1 + 1e-9 * seeded_generator(1).standard_normal(2000)))
    rows = []
    for before in (0, 300_000):
        running = Running(16e6)
        for _ in range(before // 2000):
            running.feed(whole)
            whole.mono_ns[:] += 2000 * 1_000_000_000
        ones = [
            type(whole)(*(getattr(whole, name)[i : i + 1] for name in whole.__slots__))
            for i in range(2000)
        ]
        single_s = seconds(lambda ones=ones, r=running: [r.feed(o) for o in ones], 1)
        chunk_s = seconds(lambda r=running: r.feed(whole), 1)
        rows.append((f"{before:,}", f"{single_s / 2e-3:.0f}", f"{chunk_s / 2e-3:.2f}"))
    report(
        "Running figures, us per reading",
        ("readings before", "one by one", "in chunks of 2,000"),
        rows,
    )
    assert float(rows[1][1]) < 3 * float(rows[0][1]) + 100


def test_judge_per_reading():
    """The judge of a run, fed one by one, and asked after each reading besides."""
    noise = seeded_generator(2).standard_normal((2, 2000))
    whole = columns(16e6 * (1 + 1e-9 * (noise[0] + 0.1 * np.cumsum(noise[1]))))
    ones = [part_of(whole, at, at + 1) for at in range(len(whole))]
    part = load_part("quartz-16mhz-30ppm")
    rows = []
    for before in (0, 300_000, 1_000_000):
        taken = []
        for every in (len(ones), 10, 1):
            judge = RunJudge(part, resolution_hz=1e-4)
            for _ in range(before // len(whole)):
                judge.feed(whole)
            taken.append(min(fed_us(judge, ones, every) for _ in range(3)))
        rows.append((f"{before:,}", *(f"{us:.1f}" for us in taken)))
        assert taken[0] <= 50.0
    report(
        "A run's judge, us of processor time per reading",
        ("readings before", "fed one by one", "asked after each 10", "after each"),
        rows,
        "2,000 readings of white noise and a random walk; target of the first: <= 50. "
        "A keeper asks five times a second at most, and at each look of an early stop. "
        "Before readings were gathered, one took 187 us, and 674 with the question.",
    )


def fed_us(judge, ones, every):
    """Processor time of a reading; the figures are asked for after each `every`."""
    start = time.process_time()
    for at, one in enumerate(ones, 1):
        judge.feed(one)
        if not at % every:
            judge.assessment()
    return (time.process_time() - start) / len(ones) * 1e6


def test_grid_of_a_run():
    whole = columns(16e6 + seeded_generator(1).standard_normal(1_000_000))
    assert seconds(lambda: series_from_columns(whole, 16e6), 3) < 1.0
