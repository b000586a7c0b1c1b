"""What is done to a source and what it answers: known physics, recovered."""

import json
import os
import subprocess
import sys

import numpy as np
import pytest

from benchlog.analysis.response import (
    Cut,
    Observed,
    phases,
    responses,
    supply_cuts,
)
from benchlog.catalogue import load_part
from benchlog.clock import HostClock
from benchlog.errors import DataError
from benchlog.simulate import DemoBench, SimulatedBench, demo_scenario

PER_C, PER_V, LAG_S = 250.0, -400.0, 8.0


def chip(noise_ppm=5.0, seed=3):
    """A chip that is warmed by 10 C at 60 s and gets 0.5 V less at 180 s."""
    t = np.arange(0.0, 300.0, 1.0)
    warm = np.where(t < 60, 0.0, 1 - np.exp(-(t - 60) / LAG_S)) * 10.0
    volts = np.where(t < 180, 3.3, 2.8)
    ppm = 100.0 + PER_C * warm + PER_V * (volts - 3.3)
    ppm += np.random.default_rng(seed).normal(0, noise_ppm, len(t))
    return Observed(t, ppm, 25.0 + warm, volts)


def test_phases_and_responses_of_known_physics():
    cuts = [Cut(60.0, "warming"), Cut(180.0, "supply 2.8 V")]
    found = phases(chip(), cuts)
    assert [phase.name for phase in found] == ["start", "warming", "supply 2.8 V"]
    warming, supply = responses(found)
    assert (warming.sign, supply.sign) == ("up", "up")
    assert warming.ppm_per_c == pytest.approx(PER_C, rel=0.02)
    assert warming.ppm_per_v is None
    assert supply.ppm_per_v == pytest.approx(PER_V, rel=0.05)
    assert supply.ppm_per_c is None
    # 2500 ppm decay into three times 5 ppm after 8 s * ln(2500 / 15) = 41 s.
    assert 30 <= warming.settle_s <= 55
    assert supply.settle_s <= 2


# Common practice, no source: a finger's warmth moves an on-chip RC oscillator by
# kilohertz (often up) and a quartz crystal by a few hertz (often down); the sign
# differs from part to part.
def test_the_sign_is_what_was_measured_not_what_is_usual():
    seen = chip()
    down = Observed(seen.t_s, -seen.offset_ppm, seen.ambient_c, seen.supply_v)
    (answer, *_) = responses(phases(down, [Cut(60.0, "warming")]))
    assert answer.sign == "down"
    quiet = Observed(seen.t_s, np.zeros(300), seen.ambient_c, seen.supply_v)
    (answer,) = responses(phases(quiet, [Cut(60.0, "warming")]))
    assert answer.sign == "none"


def test_a_stepped_supply_cuts_a_run_by_itself_and_one_bad_value_does_not():
    seen = chip()
    volts = seen.supply_v.copy()
    volts[100] = 9.0
    (cut,) = supply_cuts(seen.t_s, volts)
    assert (cut.t_s, cut.name) == (180.0, "supply 2.80 V")


def test_short_phases_have_no_figures_and_nothing_is_an_error():
    found = phases(chip(), [Cut(298.0, "too late")])
    assert found[1].offset_ppm is None
    assert len(responses(found)) == 0
    empty = np.empty(0)
    with pytest.raises(DataError, match="no readings"):
        phases(Observed(empty, empty, empty, empty), [])


def test_a_supply_stepped_on_the_bench_is_found_in_the_run(tmp_path):
    """End to end: a real meter over a socket, the supply turned while it measures."""
    part = "rc-8mhz-delivered"
    bench = DemoBench(gate_s=0.05, supply_meter=True)
    scenario = demo_scenario(load_part(part), seed=2, offset_ppm=500.0, bench=bench)
    environment = {**os.environ, "BENCHLOG_DB": str(tmp_path / "r.db")}
    environment["XDG_STATE_HOME"] = str(tmp_path)
    clock = HostClock()
    with SimulatedBench(scenario, clock) as served:
        path = tmp_path / "bench.toml"
        path.write_text(
            served.bench_toml().replace(
                'driver = "scpi-meter"', 'driver = "scpi-meter"\nevery_s = 0.1'
            )
        )
        words = ["measure", "--bench", str(path), "--part", part, "--device", "RC-7"]
        with subprocess.Popen(
            [
                sys.executable,
                "-m",
                "benchlog.cli",
                *words,
                "--for",
                "8s",
                "--no-screen",
            ],
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            while "started" not in process.stderr.readline():
                pass
            clock.sleep(4.0)
            served.set_supply(2.8)
            process.stderr.read()
        device = scenario.places[0].oscillator
    done = subprocess.run(
        [sys.executable, "-m", "benchlog.cli", "response", "--json"],
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    found = json.loads(done.stdout)
    assert [phase["name"] for phase in found["phases"]][1].startswith("supply 2.8")
    (answer,) = found["responses"]
    step_ppm = device.supply_ppm_per_v * (2.8 - scenario.supply.volts)
    assert answer["change_ppm"] == pytest.approx(step_ppm, abs=400)
    assert answer["sign"] == "down"
