"""What commands about a short run cost beside importing what figures need."""

import sys

import pytest
from benchmarks.results import report
from benchmarks.start_up import ROUNDS, TARGETS, least_cpu_s

pytestmark = pytest.mark.benchmark


def test_a_short_run_costs_little_more_than_its_figures() -> None:
    found = {what: s for (what, _), s in least_cpu_s({"now": sys.executable}).items()}
    ratios = {what: found[what] / found["peer"] for what in TARGETS}
    rows = [
        (
            what,
            f"{found[what]:.3f}",
            f"{ratios[what]:.2f}",
            f"<= {most}" if most else "",
        )
        for what, most in TARGETS.items()
    ]
    report(
        "Commands about a short run",
        ("", "CPU s", "ratio", "target"),
        [*rows, ("peer", f"{found['peer']:.3f}", "", "")],
        f"Least of {ROUNDS} rounds in turn, whole processes, a run of 400 readings. "
        'Peer: `python -c "import numpy, scipy.special"`.',
    )
    late = {what for what, most in TARGETS.items() if most and ratios[what] > most}
    assert late == set()
