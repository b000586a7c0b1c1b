"""What is done to a source and what it answers: known physics, recovered."""

import json
import os
import subprocess
import tracemalloc

import noise_makers
import numpy as np
import pytest
from seeds import seeded_generator
from warm_program import PROGRAM, Program, run

from benchlog.analysis.response import (
    _SMOOTHED,
    Cut,
    Observed,
    _running_median,
    phases,
    responses,
    supply_cuts,
)
from benchlog.analysis.separated_means import gains
from benchlog.catalogue import load_part
from benchlog.cli.commands.response import doubts
from benchlog.clock import HostClock
from benchlog.control import Request, ask, file_of
from benchlog.errors import DataError
from benchlog.evaluation.response import one_cut, stated_supply
from benchlog.simulate import DemoBench, SimulatedBench, demo_scenario
from benchlog.store.reader import Reader

PER_C, PER_V, LAG_S = 250.0, -400.0, 8.0


def chip(noise_ppm=5.0, seed=3):
    """A chip that is warmed by 10 C at 60 s and gets 0.5 V less at 180 s."""
    t = np.arange(0.0, 300.0, 1.0)
    warm = np.where(t < 60, 0.0, 1 - np.exp(-(t - 60) / LAG_S)) * 10.0
    volts = np.where(t < 180, 3.3, 2.8)
    ppm = 100.0 + PER_C * warm + PER_V * (volts - 3.3)
    ppm += seeded_generator(seed).normal(0, noise_ppm, len(t))
    return Observed(t, ppm, 25.0 + warm, volts)


def answers(seen, *cuts):
    return responses(seen, phases(seen, cuts))


def test_phases_and_responses_of_known_physics():
    cuts = [Cut(60.0, "warming"), Cut(180.0, "supply 2.8 V")]
    found = phases(chip(), cuts)
    assert [phase.name for phase in found] == ["start", "warming", "supply 2.8 V"]
    warming, supply = responses(chip(), found)
    assert (warming.sign, supply.sign) == ("up", "up")
    assert warming.ppm_per_c == pytest.approx(PER_C, rel=0.02)
    assert warming.ppm_per_v is None
    assert supply.ppm_per_v == pytest.approx(PER_V, rel=0.05)
    assert supply.ppm_per_c is None
    # An exponential stays within 5 % after ln 20 = 3.0 time constants (definition).
    assert warming.within_ppm == pytest.approx(0.05 * warming.change_ppm)
    assert warming.settle_s == pytest.approx(LAG_S * np.log(20), abs=3.0)
    assert supply.settle_s <= 2


def test_what_is_shown_is_averaged_over_the_stretch_that_is_named():
    """By hand: offset, ambient and supply of the same readings, the last third."""
    seen = chip()
    for phase in phases(seen, [Cut(60.0, "warming"), Cut(180.0, "supply 2.8 V")]):
        named = (seen.t_s >= phase.settled_from_s) & (seen.t_s <= phase.to_s)
        named &= seen.t_s < phase.from_s + phase.n
        assert np.count_nonzero(named) == phase.settled_n == phase.n // 3
        assert phase.offset_ppm == pytest.approx(seen.offset_ppm[named].mean())
        assert phase.ambient_c == pytest.approx(seen.ambient_c[named].mean())
        assert phase.supply_v == pytest.approx(seen.supply_v[named].mean())


def test_ambient_of_another_stretch_is_not_shown_beside_the_offset():
    """The probe fell silent in the middle of the settled part, while it got warmer."""
    seen = chip()
    seen.ambient_c[150:180] = np.nan
    _, warming = phases(seen, [Cut(60.0, "warming")])[:2]
    assert warming.ambient_c is not None  # the settled part begins at 220 s
    _, warming, _ = phases(seen, [Cut(60.0, "warming"), Cut(180.0, "supply 2.8 V")])
    assert warming.ambient_c is None
    (answer, _) = answers(seen, Cut(60.0, "warming"), Cut(180.0, "supply 2.8 V"))
    assert answer.sign == "up" and answer.ppm_per_c is None


# Common practice, no source: a finger's warmth moves an on-chip RC oscillator by
# kilohertz (often up) and a quartz crystal by a few hertz (often down); the sign
# differs from part to part.
def test_the_sign_is_what_was_measured_not_what_is_usual():
    seen = chip()
    down = Observed(seen.t_s, -seen.offset_ppm, seen.ambient_c, seen.supply_v)
    (answer, *_) = answers(down, Cut(60.0, "warming"))
    assert answer.sign == "down"
    quiet = Observed(seen.t_s, np.zeros(300), seen.ambient_c, seen.supply_v)
    (answer,) = answers(quiet, Cut(60.0, "warming"))
    assert (answer.sign, answer.settle_s, answer.ppm_per_c) == ("none", None, None)


@pytest.mark.parametrize("n", [3, 39, 40, 100, 401])
def test_a_running_median_is_less_wide_at_both_ends(n):
    # private: only its ends would show in a settling time, and seldom
    values, half = seeded_generator(n).normal(size=n), n // (2 * _SMOOTHED)
    windows = [values[max(0, i - half) : i + half + 1] for i in range(n)]
    assert _running_median(values).tolist() == [np.median(one) for one in windows]


def test_the_running_median_of_a_long_phase_takes_little_memory():
    """All windows at once were 38 MB here, 2.8 GB for a day of readings."""
    # private: beside it a run of that length takes more memory than the test's bound
    values = seeded_generator(0).normal(size=10_000)
    tracemalloc.start()
    try:
        _running_median(values)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most < 16e6


def test_a_source_still_moving_has_not_settled():
    t = np.arange(0.0, 100.0, 1.0)
    ppm = np.where(t < 50, 0.0, 20.0 * (t - 50))
    ppm += seeded_generator(1).normal(0, 5.0, len(t))
    nothing = np.full(len(t), np.nan)
    (answer,) = answers(Observed(t, ppm, nothing, nothing), Cut(50.0, "warming"))
    assert answer.sign == "up" and answer.settle_s is None


def test_restlessness_is_seldom_taken_for_a_response():
    """Flicker and white noise where nothing was done: claims stay near 5 %."""
    rng = seeded_generator(11)
    t, claims = np.arange(200.0), 0
    nothing = np.full(len(t), np.nan)
    for flicker in noise_makers.make("flicker FM", rng, 200, len(t)):
        ppm = flicker + rng.normal(0, 1.0, len(t))
        (answer,) = answers(Observed(t, ppm, nothing, nothing), Cut(100.0, "nothing"))
        claims += answer.sign != "none"
    assert claims <= 20


@pytest.mark.parametrize("kind", ["random-walk FM", "flicker FM", "white FM"])
def test_what_the_run_does_by_itself_is_no_response(kind):
    """200 readings, nothing done at 100: claims; the same with a move 5 times as large
    as such differences are. Random walk was called a response in 31 of 100 runs. To
    find 92 of white FM (900 of 1,000 are) lets 5.4 % of white FM + 2 random-walk FM
    answer falsely.
    """
    runs, n = 100, 200
    made = noise_makers.make(kind, seeded_generator(17), runs, n)
    nothing = np.full(n, np.nan)
    moved = np.arange(n) >= 100
    apart = float(np.std(made[:, -34:].mean(axis=1) - made[:, 66:100].mean(axis=1)))
    claims = seen = 0
    for ppm in made:
        for step in (0.0, 5.0 * apart):
            given = Observed(np.arange(float(n)), ppm + step * moved, nothing, nothing)
            (answer,) = answers(given, Cut(100.0, "nothing"))
            claims += step == 0.0 and answer.sign != "none"
            seen += step > 0.0 and answer.sign == "up"
    assert claims <= 0.1 * runs
    assert seen >= 0.88 * runs


@pytest.mark.parametrize(
    ("kind", "share"), [("white FM", 1.0), ("random-walk FM", (3 * 3 - 1) / 2)]
)
def test_how_far_noise_takes_two_means_apart(kind, share):
    """Means of 20 readings, 60 on: (3 r - 1)/2 the variance of two that adjoin for
    random walk, as a sum of white steps gives by hand; 1 for white FM."""
    gain = gains(20.0, (0.0, 20.0), (60.0, 80.0))[noise_makers.KINDS.index(kind)]
    assert gain == pytest.approx(2.0 * share)
    y = noise_makers.make(kind, seeded_generator(19), 4000, 80)
    adjoin = np.var(y[:, 20:40].mean(axis=1) - y[:, :20].mean(axis=1))
    apart = np.var(y[:, 60:].mean(axis=1) - y[:, :20].mean(axis=1))
    assert apart / adjoin == pytest.approx(share, rel=0.1)


def test_a_stepped_supply_cuts_a_run_by_itself_and_one_bad_value_does_not():
    seen = chip()
    volts = seen.supply_v.copy()
    volts[100] = 9.0
    (cut,) = supply_cuts(seen.t_s, volts)
    assert (cut.t_s, cut.name) == (180.0, "supply 2.80 V")


def test_a_mark_and_the_step_that_it_tells_of_are_one_cut():
    """Typed at 150 s, the knob turned and seen by the meter 30 s later."""
    step, early = Cut(180.0, "supply 2.80 V"), Cut(150.0, "supply 2.8 V")
    assert one_cut([early], [step]) == (Cut(180.0, "supply 2.8 V"),)
    (start, supply), seen = phases(chip(), one_cut([early], [step])), chip()
    assert (start.supply_v, supply.supply_v) == pytest.approx((3.3, 2.8))
    (answer,) = responses(seen, phases(seen, one_cut([early], [step]))[-2:])
    assert answer.u_ppm > 0
    late = Cut(200.0, "supply down")
    assert one_cut([late], [step]) == (Cut(180.0, "supply down"),)


def test_other_cuts_keep_a_mark_and_a_step_apart():
    step = Cut(180.0, "supply 2.80 V")
    for marks in (
        [Cut(50.0, "supply 2.8 V")],
        [Cut(150.0, "warming")],
        [Cut(150.0, "supply 2.8 V"), Cut(160.0, "cooling")],
        [Cut(230.0, "supply 2.8 V")],
    ):
        assert one_cut(marks, [step]) == tuple(
            sorted([*marks, step], key=lambda cut: cut.t_s)
        )
    again = Cut(240.0, "supply 3.30 V")
    found = one_cut([Cut(150.0, "supply 2.8 V")], [step, again])
    assert found == (Cut(180.0, "supply 2.8 V"), again)


def test_marks_state_the_supply_where_no_meter_is():
    t = np.arange(0.0, 50.0, 10.0)
    marks = [Cut(10.0, "warming"), Cut(20.0, "Supply: 3.3 V"), Cut(40.0, "supply 2,8V")]
    assert stated_supply(t, marks, None)[:2].tolist() == pytest.approx(
        [np.nan, np.nan], nan_ok=True
    )
    assert stated_supply(t, marks, 5.0).tolist() == [5.0, 5.0, 3.3, 3.3, 2.8]
    slip = [*marks, Cut(30.0, "supply 999 V")]
    assert stated_supply(t, slip, 5.0).tolist() == [5.0, 5.0, 3.3, 3.3, 2.8]


def test_what_is_odd_of_a_mark_is_said_beside_the_response():
    found = phases(chip(), [Cut(60.0, "wraming"), Cut(180.0, "supply 999 V")])
    assert dict(doubts(found)) == {
        "wraming": "did you mean warming?",
        "supply 999 V": "999 V is beyond 60 V: not taken as a supply",
    }


def test_short_phases_have_no_figures_and_nothing_is_an_error():
    found = phases(chip(), [Cut(298.0, "too late")])
    assert found[1].offset_ppm is None
    assert len(responses(chip(), found)) == 0
    empty = np.empty(0)
    with pytest.raises(DataError, match="no readings"):
        phases(Observed(empty, empty, empty, empty), [])


SCALE = 20.0
PART = "rc-8mhz-delivered"


def benchlog(*words):
    return [*PROGRAM, *words]


def mark(database, text):
    """Set a mark as key m on the live screen does: through the keeper's socket."""
    with Reader.open(database) as reader:
        run = reader.latest_run()
    request = Request("mark", run.id, text)
    answer = ask(database.parent / run.control, request, file_of(database))
    assert answer.ok, answer.error


def a_day(served, database, process, clock):
    """Warm the room, let it cool, turn the supply; all but the last is marked."""
    while "started" not in process.stderr.readline():
        pass
    clock.sleep(40.0)
    mark(database, "warming")
    served.heat(12.0)
    clock.sleep(50.0)
    mark(database, "cooling")
    served.heat(-12.0)
    clock.sleep(50.0)
    served.set_supply(2.0)
    process.stderr.read()


@pytest.mark.campaign  # every suite: test_response_of_a_day.py
def test_a_day_on_the_bench_names_every_response(tmp_path):
    """End to end: a room that is heated and cools, a supply turned under a meter."""
    bench = DemoBench(gate_s=0.4, supply_meter=True)
    scenario = demo_scenario(load_part(PART), seed=2, offset_ppm=500.0, bench=bench)
    database = tmp_path / "r.db"
    environment = {
        **os.environ,
        "BENCHLOG_DB": str(database),
        "XDG_STATE_HOME": str(tmp_path),
        "BENCHLOG_TIME_SCALE": f"{SCALE:g}",
    }
    clock = HostClock(SCALE)
    with SimulatedBench(scenario, clock) as served:
        path = tmp_path / "bench.toml"
        path.write_text(served.bench_toml())
        words = ["measure", "--bench", str(path), "--part", PART, "--device", "RC-7"]
        with Program(
            benchlog(*words, "--for", "190s", "--no-screen"),
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            a_day(served, database, process, clock)
        device = scenario.places[0].oscillator
    words = benchlog("response", "--json")
    done = run(words, env=environment, capture_output=True, check=True)
    found = json.loads(done.stdout)
    names = [phase["name"] for phase in found["phases"]]
    assert names == ["start", "warming", "cooling", "supply 2.00 V"]
    warming, cooling, supply = found["responses"]
    assert (warming["sign"], cooling["sign"], supply["sign"]) == ("up", "down", "down")
    per_c = device.law.linear_ppm_per_c
    for answer in (warming, cooling):
        assert answer["ppm_per_c"] == pytest.approx(per_c, abs=answer["u_ppm"] / 8)
        assert answer["u_ppm"] < 0.4 * abs(answer["change_ppm"])
        # The body follows with 4 s; restlessness hides the end of the way.
        assert answer["settle_s"] is None or 2 <= answer["settle_s"] <= 35
    per_v = device.supply_ppm_per_v
    assert supply["ppm_per_v"] == pytest.approx(per_v, abs=supply["u_ppm"])
    assert supply["ppm_per_c"] is None
    assert found["simulated"] is True
