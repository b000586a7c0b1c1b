"""What scraping costs a run of ten readings a second: in one run, by turns with quiet.

A soak with `--metrics` on a simulated counter over TCP, gate 0.1 s. In every other
stretch of it `/metrics` is asked for twice a second, thirty times as often as usual.
`BENCHLOG_SCRAPE_S` is how long it lasts.
"""

import os
import re
import signal
import statistics
import subprocess
import urllib.request
from pathlib import Path

import numpy as np
import pytest
from benchmarks.results import report
from cli.conftest import PROGRAM
from numpy.typing import NDArray
from waiting import wait_for

from benchlog.clock import HostClock, host_sleep
from benchlog.store.reader import Reader

pytestmark = pytest.mark.benchmark

LASTS_S = float(os.environ.get("BENCHLOG_SCRAPE_S", "240"))
STRETCH_S = 5.0
EVERY_S = 0.5
GATE_S = 0.1
TARGET = 1.1
"""Lateness of gates in a scraped stretch over that in the quiet one before."""


def test_gates_come_as_they_come_without_a_scraper(tmp_path: Path) -> None:
    database, bench = tmp_path / "b.db", tmp_path / "bench.toml"
    simulate = [*PROGRAM, "simulate", "--gate-s", str(GATE_S), "--bench-out", bench]
    soak = [*PROGRAM, "soak", "--bench", bench, "--part", "quartz-16mhz-30ppm"]
    soak += ["--device", "KX-1", "--db", database, "--no-screen", "--metrics", "0"]
    took_s, stretches = [], []
    with subprocess.Popen(simulate, stderr=subprocess.DEVNULL) as simulated:
        wait_for(bench.exists)
        with subprocess.Popen(soak, stderr=subprocess.PIPE, text=True) as keeper:
            assert keeper.stderr is not None
            (address,) = re.findall(r"http://\S+", keeper.stderr.readline())
            wait_for(database.exists)
            host_sleep(5.0)
            for number in range(round(LASTS_S / STRETCH_S)):
                began_ns = HostClock().mono_ns()
                if number % 2:
                    took_s += scraped_for(address, STRETCH_S)
                else:
                    host_sleep(STRETCH_S)
                stretches.append((began_ns, HostClock().mono_ns()))
            keeper.send_signal(signal.SIGTERM)
            keeper.communicate(timeout=30)
        simulated.terminate()
    late_ms = lateness_ms(database, stretches)
    ratios = [
        statistics.median(late_ms[1::2, at] / late_ms[::2, at]) for at in range(2)
    ]
    quiet, scraped = np.median(late_ms[::2], axis=0), np.median(late_ms[1::2], axis=0)
    report(
        "Lateness of gates of 0.1 s while `/metrics` is scraped",
        ("", "median, ms", "latest 5 %, ms"),
        [
            ("quiet", *(f"{one:.2f}" for one in quiet)),
            ("scraped", *(f"{one:.2f}" for one in scraped)),
            ("ratio, pair by pair", *(f"{one:.2f}" for one in ratios)),
        ],
        f"One run of {LASTS_S:g} s, stretches of {STRETCH_S:g} s by turns, a scrape "
        f"each {EVERY_S:g} s. {len(took_s)} scrapes took "
        f"{statistics.median(took_s) * 1e3:.1f} ms each (median), the longest "
        f"{max(took_s) * 1e3:.0f} ms. Target: ratios <= {TARGET}.",
    )
    assert max(ratios) <= TARGET


def scraped_for(address: str, lasts_s: float) -> list[float]:
    """Scrape for a time; return how long each scrape took, s."""
    clock, took = HostClock(), []
    limit = clock.deadline(lasts_s)
    while not limit.passed:
        began_ns = clock.mono_ns()
        with urllib.request.urlopen(address, timeout=10) as answer:
            assert answer.read().endswith(b"# EOF\n")
        took.append((clock.mono_ns() - began_ns) / 1e9)
        host_sleep(max(0.0, EVERY_S - took[-1]))
    return took


def lateness_ms(
    database: Path, stretches: list[tuple[int, int]]
) -> NDArray[np.float64]:
    """Return median and 95th percentile of how late gates came, ms, (stretches, 2).

    Lateness is how far the spacing of two readings is from that of the whole run.
    """
    with Reader.open(database) as reader:
        mono_ns = reader.columns_after(1).mono_ns
    spacing_ms = np.diff(mono_ns) / 1e6
    late_ms = np.abs(spacing_ms - np.median(spacing_ms))
    found = []
    for began_ns, ended_ns in stretches:
        within = (mono_ns[1:] > began_ns) & (mono_ns[1:] <= ended_ns)
        assert within.sum() > 0.5 * STRETCH_S / GATE_S
        found.append(np.percentile(late_ms[within], (50, 95)))
    return np.array(found)
