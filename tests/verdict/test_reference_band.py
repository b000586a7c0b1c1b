"""A tolerance is judged at the temperature at which it is promised."""

from dataclasses import replace

import numpy as np
import pytest
from columns_maker import columns, part_of
from seeds import seeded_generator
from tiers import seldom

from benchlog.catalogue import load_part
from benchlog.model import Decision, Kind, Limits, Part, TemperatureLaw, Timebase
from benchlog.verdict.run.part_law import part_law
from benchlog.verdict.run.reading_judge import RunJudge, is_clear

BASE = Timebase(status="checked", offset_ppm=0.0, u_ppm=0.01)
CRYSTAL = load_part("quartz-16mhz-30ppm")  # +-30 at 25 +-3 C, +-50 over -10 to 70 C
UNKNOWN = replace(
    CRYSTAL,
    kind=Kind.OTHER,
    temperature=None,
    limits=replace(CRYSTAL.limits, jitter_ppm=None),
)


def readings(offset_ppm, ambient_c, n=60, seed=1):
    noise = seeded_generator(seed).normal(0.0, 0.02, n)
    ppm = np.broadcast_to(offset_ppm, n) + noise
    return columns(16e6 * (1 + ppm * 1e-6), ambient_c=ambient_c)


def judged(batch, part=CRYSTAL, **asked):
    judge = RunJudge(part, timebase=BASE, resolution_hz=0.001, **asked)
    judge.feed(batch)
    return judge.assessment()


@pytest.mark.parametrize("ambient_c", [21.5, 23.0, 25.0, 28.5])
def test_a_bad_crystal_fails_in_a_cool_lab_as_in_a_warm_one(ambient_c):
    assert judged(readings(45.0, ambient_c)).word is Decision.FAIL


def test_a_breath_of_warm_air_saves_no_bad_crystal():
    ambient_c = np.full(60, 24.0)
    ambient_c[-3:] = 29.0
    assert judged(readings(45.0, ambient_c)).word is Decision.FAIL


def test_a_good_crystal_passes_in_a_cool_lab_by_its_law():
    found = judged(readings(10.0, 21.5))
    assert found.word is Decision.PASS
    assert found.at_reference is not None
    # Gerber and Ballato's coefficients, as the part's file quotes them:
    d = -3.5
    moved = -0.1439333 * d - 0.45e-3 * d**2 + 108.6e-6 * d**3
    assert found.at_reference.moved_ppm == pytest.approx(-moved, abs=1e-4)
    assert found.offset_ppm == pytest.approx(10.0, abs=0.02)  # as it was measured
    line = found.at_reference.budget.lines[-1]
    assert line.name == "temperature law" and line.u_ppm > 1.0
    assert "brought to 25 C" in " ".join(found.reasons)


def test_a_tuning_fork_is_brought_by_its_parabola():
    """-0.034 ppm/C^2 about 25 C (common practice, no source): -3.4 ppm at 15 C."""
    part = Part(
        id="fork",
        title="",
        kind=Kind.TUNING_FORK,
        nominal_hz=16e6,
        limits=Limits(tolerance_ppm=20.0),
        temperature=TemperatureLaw(
            law="parabola", reference_c=25.0, quadratic_ppm_per_c2=-0.034
        ),
    )
    found = judged(readings(-13.4, 15.0), part)
    assert found.at_reference.offset_ppm == pytest.approx(-10.0, abs=0.02)
    # a turnover 5 C off: 2 x 0.034 x 5 = 0.34 ppm/C, over 10 C +-3.4 ppm
    assert found.at_reference.budget.lines[-1].u_ppm == pytest.approx(3.4 / 3**0.5)


def test_where_no_law_is_known_it_says_which_temperature_is_wanted():
    found = judged(readings(10.0, 21.5), UNKNOWN)
    assert found.word is Decision.UNDECIDED and found.conformance is None
    assert "measure between 22 and 28 C" in found.reasons[0]
    assert not is_clear(found, 10)


def test_where_no_law_is_known_readings_inside_the_band_decide():
    ambient_c = np.full(60, 24.0)
    ambient_c[40:] = 29.0
    offset = np.where(ambient_c > 28.0, 200.0, 10.0)  # far off where nobody asked
    found = judged(readings(offset, ambient_c), UNKNOWN)
    assert found.word is Decision.PASS
    assert found.at_reference.n == 40
    assert found.at_reference.offset_ppm == pytest.approx(10.0, abs=0.02)
    assert is_clear(found, 40) and not is_clear(found, 41)


def test_beyond_its_range_a_part_promises_nothing():
    found = judged(readings(10.0, 80.0))
    assert found.word is Decision.UNDECIDED
    assert "measure between 22 and 28 C" in " ".join(found.reasons)


def test_over_temperature_only_when_it_is_asked_for():
    found = judged(readings(45.0, 21.5), over_temperature=True)
    assert found.word is Decision.PASS
    assert found.limit.ppm == 80.0 and found.limit.over_temperature
    assert found.at_reference is None


def test_unknown_ambient_counts_as_inside_and_is_told():
    found = judged(readings(10.0, np.nan))
    assert found.word is Decision.PASS and found.at_reference is None
    assert "ambient temperature not known" in " ".join(found.reasons)


def test_portions_do_not_matter():
    whole = readings(10.0, np.linspace(21.0, 29.0, 60))
    judge = RunJudge(CRYSTAL, timebase=BASE, resolution_hz=0.001)
    for start in range(0, 60, 7):
        judge.feed(part_of(whole, start, min(start + 7, 60)))
    once, bit_by_bit = judged(whole).at_reference, judge.assessment().at_reference
    assert bit_by_bit.offset_ppm == pytest.approx(once.offset_ppm, abs=1e-12)
    assert bit_by_bit.u_ppm == pytest.approx(once.u_ppm, rel=1e-9)


def test_the_runs_own_slope_goes_before_what_is_allowed():
    """A crystal 0.6 ppm/C off the usual cut, in a lab that swings from 28.5 to 34 C."""
    ambient_c = 31.25 + 2.75 * np.sin(np.linspace(0, 20, 2000))
    law = 10.0 + 0.6 * (ambient_c - 25.0)
    found = judged(readings(law, ambient_c, n=2000)).at_reference
    assert "own slope" in found.law
    allowed = part_law(CRYSTAL).slope_ppm_per_c * 6.25
    assert abs(found.offset_ppm - 10.0) < found.u_ppm
    lines = {line.name: line.u_ppm for line in found.budget.lines}
    assert 2.0 * (lines["temperature law"] + lines["thermometer"]) < allowed / 2


def test_a_steeper_device_would_break_the_promise():
    """The slope that is allowed just reaches the stability at some temperature."""
    law = part_law(CRYSTAL)
    grid = np.linspace(-10.0, 70.0, 201)
    away = grid - 25.0
    moved = -0.1439333 * away - 0.45e-3 * away**2 + 108.6e-6 * away**3
    worst = max(
        np.abs(moved + side * law.slope_ppm_per_c * away).max() for side in (1, -1)
    )
    assert worst >= 50.0 - 0.01
    least = min(
        np.abs(moved + side * law.slope_ppm_per_c * away).max() for side in (1, -1)
    )
    assert least <= 50.01


@pytest.mark.parametrize(
    ("runs", "least", "seed"),
    # 95 %, two standard deviations less
    [(50, 44, 0), *(seldom(200, 184, seed) for seed in (0, 1, 2))],
)
def test_intervals_at_the_reference_hold_for_devices_that_keep_their_promise(
    runs, least, seed
):
    """Cuts spread evenly over what the promise allows, ambient from 15 to 35 C."""
    rng = seeded_generator(seed)
    slope = part_law(CRYSTAL).slope_ppm_per_c
    held = 0
    for _ in range(runs):
        d = rng.uniform(3.5, 10.0) * rng.choice((-1.0, 1.0))
        ambient_c, true = 25.0 + d, rng.uniform(-20.0, 20.0)
        usual = -0.1439333 * d - 0.45e-3 * d**2 + 108.6e-6 * d**3
        batch = readings(true + usual + rng.uniform(-slope, slope) * d, ambient_c, n=20)
        offset, u = judged(batch).judged
        held += abs(offset - true) <= u
    assert held >= least


@pytest.mark.parametrize(("stated_c", "u_c"), [(None, 0.5), (0.1, 0.1), (0.0, 0.0)])
def test_the_thermometer_is_a_line_where_readings_are_brought(stated_c, u_c):
    """Its error moves the law's figure by slope times error (first order)."""
    judge = RunJudge(CRYSTAL, thermometer_u_c=stated_c)
    judge.feed(readings(10.0, 33.0, n=20))
    lines = {line.name: line for line in judge.assessment().at_reference.budget.lines}
    # -0.1439333 - 2 * 0.45e-3 * 8 + 3 * 108.6e-6 * 64, at 8 C from the reference
    slope = -0.1439333 - 0.0072 + 0.0208512
    expected = abs(slope) * u_c
    assert lines["thermometer"].u_ppm == pytest.approx(expected, rel=2e-3, abs=1e-12)
    said = "assumed" if stated_c is None else "stated in the bench file"
    assert said in lines["thermometer"].text


def test_without_a_law_used_the_thermometer_does_not_matter():
    found = judged(readings(10.0, 25.0, n=20))
    assert "thermometer" not in {line.name for line in found.budget.lines}


def test_a_mean_distance_of_next_to_nothing_has_no_sign_of_its_own():
    ambient_c = np.linspace(21.9, 28.09, 2000)
    found = judged(readings(0.6 * (ambient_c - 25.0), ambient_c, n=2000)).at_reference
    assert "at a mean distance of +0.0 C" in found.law
