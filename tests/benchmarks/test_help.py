"""What `benchlog --help` costs beside a bare click program, in one run."""

import statistics
import subprocess
import sys
from pathlib import Path

import pytest
from benchmarks.results import report

from benchlog.clock import HostClock

pytestmark = pytest.mark.benchmark

BARE = """
import click

@click.group()
def main():
    "A bare program."

@main.command()
def do():
    "Do."

main()
"""
ROUNDS = 25
MOST = 2.5


def seconds(words: list[str]) -> float:
    clock = HostClock()
    begun_ns = clock.mono_ns()
    subprocess.run(words, capture_output=True, check=True, timeout=30)
    return (clock.mono_ns() - begun_ns) / 1e9


def test_help_costs_at_most_two_and_a_half_bare_click_programs(tmp_path: Path) -> None:
    bare = tmp_path / "bare.py"
    bare.write_text(BARE)
    ours = str(Path(sys.executable).with_name("benchlog"))
    pairs = [
        (seconds([ours, "--help"]), seconds([sys.executable, str(bare), "--help"]))
        for _ in range(ROUNDS)
    ]
    help_s, bare_s = (statistics.median(column) for column in zip(*pairs, strict=True))
    ratio = help_s / bare_s
    report(
        "benchlog --help",
        ("", "ms", "ratio", "target"),
        [
            ("benchlog --help", f"{help_s * 1e3:.0f}", f"{ratio:.2f}", f"<= {MOST}"),
            ("bare click", f"{bare_s * 1e3:.0f}", "", ""),
        ],
        f"Medians of {ROUNDS} rounds in turn, from start to exit. Peer: a click "
        "program of one group and one command.",
    )
    assert ratio <= MOST
