"""How long a device of a lot takes beyond its gates."""

import statistics
from itertools import pairwise
from pathlib import Path

import pytest
from benchmarks.results import report
from lot_shop import a_shop

pytestmark = pytest.mark.benchmark
DEVICES = 20
GATE_S = 0.1
MOST_S = 0.3
READINGS = 10  # 5 while it settles, 5 that count


def beyond_gates_s(folder: Path) -> list[float]:
    """From the start of one run to the start of the next, less its gates; real time."""
    with a_shop(folder, GATE_S, scale=1.0) as shop:
        few = ["--min-readings", "5", "--ids", "-"]
        ids = "".join(f"D-{number}\n" for number in range(DEVICES))
        done = shop.run(shop.opening(10 * DEVICES, DEVICES, 0, *few), ids)
        assert done.returncode == 0, done.stderr
        runs = shop.runs()
    assert {run.readings for run in runs} == {5}
    begun = [run.started_utc_ns / 1e9 for run in runs]
    return [later - one - READINGS * GATE_S for one, later in pairwise(begun)]


def test_time_per_device_beyond_the_gates(tmp_path: Path) -> None:
    taken = beyond_gates_s(tmp_path)
    median_s = statistics.median(taken)
    report(
        "Time per device of a lot, beyond its gates",
        ("", "median, s", "longest, s", "target"),
        [("inspect", f"{median_s:.3f}", f"{max(taken):.3f}", f"<= {MOST_S:g}")],
        f"{DEVICES} devices over a real socket, gate {GATE_S:g} s, {READINGS} gates "
        "each, ids from standard input; commits, verdict and the next run included.",
    )
    assert median_s <= MOST_S
