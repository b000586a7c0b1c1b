"""Pages and exports of long runs: time and peak memory, each in its own process."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from benchmarks.long_run import make
from benchmarks.results import report

from benchlog.clock import HostClock
from benchlog.store.writer import Writer

pytestmark = pytest.mark.benchmark

_MEASURED = """
import json, resource, sys, time
began = time.monotonic()
from benchlog.cli import root
root.main(sys.argv[1:], prog_name="benchlog", standalone_mode=False)
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps({"s": time.monotonic() - began, "mb": peak}))
"""
TARGET_S, TARGET_MB = 5.0, 600.0
PARQUET_S = 30.0


def measured(*words: str) -> tuple[float, float]:
    """Return the seconds and the peak memory in MB of one command, start included."""
    done = subprocess.run(
        [sys.executable, "-c", _MEASURED, *words],
        capture_output=True,
        text=True,
        timeout=300,
        check=True,
    )
    found = json.loads(done.stdout.splitlines()[-1])
    return found["s"], found["mb"]


def ended(path: Path, count: int) -> Path:
    run_id = make(path, count)
    with Writer.open(path, HostClock()) as writer:
        writer.end_run(run_id, "stopped")
    return path


def test_a_page_of_a_million_readings(tmp_path: Path) -> None:
    db = ended(tmp_path / "long.db", 1_000_000)
    rows, worst = [], (0.0, 0.0)
    for ending in ("html", "pdf"):
        out = tmp_path / f"page.{ending}"
        s, mb = measured("report", "1", "--db", str(db), "--out", str(out))
        worst = max(worst[0], s), max(worst[1], mb)
        kb = out.stat().st_size / 1024
        target = f"{TARGET_S:g} s, {TARGET_MB:g} MB"
        rows.append((ending, f"{s:.2f}", f"{mb:.0f}", f"{kb:.0f}", target))
    report("A page of a million readings", ("", "s", "MB", "kB", "target"), rows)
    assert worst[0] <= TARGET_S and worst[1] <= TARGET_MB


def test_parquet_of_ten_million_readings_in_flat_memory(tmp_path: Path) -> None:
    rows, peaks, took = [], [], 0.0
    for count in (1_000_000, 10_000_000):
        db = ended(tmp_path / f"{count}.db", count)
        out = tmp_path / f"{count}.parquet"
        words = ("export", "1", "--db", str(db), "--format", "parquet")
        took, mb = measured(*words, "--out", str(out))
        peaks.append(mb)
        size = out.stat().st_size / 2**20
        rows.append((f"{count:,}", f"{took:.1f}", f"{mb:.0f}", f"{size:.0f}"))
        db.unlink()
    report("Parquet export", ("readings", "s", "peak MB", "file MB"), rows)
    assert took <= PARQUET_S
    assert peaks[1] <= 1.25 * peaks[0]
