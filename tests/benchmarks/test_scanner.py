"""How long a turn behind a scanner takes beyond its settling and its gates."""

import os
import statistics
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from benchmarks.results import report
from scanned_shop import PART, PROGRAM, ScannedShop

from benchlog.catalogue import load_part
from benchlog.clock import HostClock
from benchlog.model import Flag
from benchlog.simulate.rack_bench import SimulatedRack
from benchlog.simulate.rack_scenario import rack_scenario

pytestmark = pytest.mark.benchmark
GATE_S, GATES, SETTLE_S, TURNS = 0.05, 4, 0.05, 20
MOST_MS = 20.0
QUIET = ("--no-screen", "--json", "--db", "s.db")
SEQUENCE = f"""
[sequence]
id = "turns"
title = "Turns alone"
source = "ours"
finds = ["offset-at-reference"]
[[step]]
name = "turns"
settle = false
gates = {GATES}
scan_for = "{TURNS * 3 * (GATES * GATE_S + SETTLE_S):g}s"
"""


def beyond_ms(shop: ScannedShop) -> list[float]:
    """From the first gate of one turn to that of the next, less settling and gates."""
    begun = []
    with shop.reader() as reader:
        for run in reader.all_runs():
            columns = reader.columns_after(run.id)
            begun += columns.mono_ns[(columns.flags & Flag.TURN) != 0].tolist()
    needed_s = GATES * GATE_S + SETTLE_S
    return [
        1e3 * ((later - one) / 1e9 - needed_s) for one, later in pairwise(sorted(begun))
    ]


def words_of(shop: ScannedShop, command: str) -> list[str]:
    if command == "measure":
        placed = shop.placed("P01", "P02", "P03")
        return shop.words("measure", *placed, "--readings", str(TURNS * GATES), *QUIET)
    (shop.folder / "turns.toml").write_text(SEQUENCE)
    (shop.folder / "ids").write_text("A\nB\nC\n")
    what = ("--sequence", "turns.toml", "--devices", "ids")
    return [
        *PROGRAM,
        *("qualify", "--bench", "rack.toml", "--part", PART, *what, *QUIET),
    ]


def row(folder: Path, command: str) -> tuple[float, tuple[str, ...]]:
    folder.mkdir()
    scenario = replace(rack_scenario(load_part(PART), 3, seed=5), gate_s=GATE_S)
    with SimulatedRack(scenario, HostClock()) as rack:
        shop = ScannedShop(folder, rack, dict(os.environ), settle_s=SETTLE_S)
        done = shop.run(words_of(shop, command))
        assert done.returncode in (0, 3, 4), done.stderr
        taken = beyond_ms(shop)
    assert len(taken) >= TURNS  # a busy computer has fewer in the time of a scan
    median = statistics.median(taken)
    shortest, *_, longest = statistics.quantiles(taken, n=10)
    figures = (f"{one:.1f}" for one in (shortest, median, longest))
    most = f"median <= {MOST_MS:g}"
    return median, (command, str(len(taken)), *figures, most)


def test_a_turn_beyond_settling_and_gates(tmp_path: Path) -> None:
    found = [row(tmp_path / name, name) for name in ("measure", "qualify")]
    report(
        "Time of a turn behind a scanner, beyond settling and gates",
        ("", "turns", "1 in 10 below, ms", "median", "1 in 10 above", "target"),
        [cells for _, cells in found],
        f"3 devices over real sockets, {GATES} gates of {GATE_S:g} s a turn after "
        f"{SETTLE_S:g} s of settling: channels opened, one closed, both read back, "
        f"each reading confirmed; the dead times between {GATES} gates are in it.",
    )
    for median, cells in found:
        assert median <= MOST_MS, cells
