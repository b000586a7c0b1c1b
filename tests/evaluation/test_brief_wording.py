"""Figures in a line each: rounding, units, words; pure functions."""

from dataclasses import replace

import pytest
from screen.scenes import Scene, Stage

from benchlog.evaluation import brief_wording as brief
from benchlog.evaluation.run_evaluation import Evaluation, evaluate
from benchlog.model import Decision, Timebase
from benchlog.store.reader import Reader
from benchlog.verdict import Budget, BudgetLine


@pytest.fixture
def known(stage: Stage) -> Evaluation:
    """Return what is known of a run of 148 Hz low at 16 MHz."""
    scene = Scene(offset_ppm=-9.25, scatter_ppm=0.001)
    run_id = stage.begin(scene)
    stage.readings(run_id, scene.values(48))
    with Reader.open(stage.database) as reader:
        return evaluate(reader, run_id)


def assessed(known: Evaluation, **changes):
    return replace(known.assessment, **changes)


def test_148_hz_low_at_16_mhz_is_9_25_ppm_low_and_inside_30(known: Evaluation):
    # common practice, no source (a fact of the trade named in the issue)
    a = known.assessment
    assert brief.offset_text(a) == "-9.250"
    assert brief.in_hz(a, 16e6).startswith("-148.0")
    assert a.word is Decision.PASS


def test_152_khz_low_at_8_mhz_loses_27_min_25_s_a_day(known: Evaluation):
    # common practice, no source: -19,045 ppm; 27 min 25 s is 1,645 s
    a = assessed(known, offset_ppm=-19_045.0, u_ppm=30.0)
    assert brief.offset_text(a) == "-19,045"
    assert brief.in_hz(a, 8e6) == "-152,360 Hz"
    assert brief.in_hz(a, 32_768.0) == "-1,645.5 s/day"


@pytest.mark.parametrize(
    ("offset", "u", "said"),
    [
        (-9.2534, 0.059, "-9.253"),
        (-9.2534, 1.2, "-9.3"),
        (-19_045.34, 0.81, "-19,045.34"),
        (0.000_012_34, 0.000_000_56, "+0.00001234"),
        (-0.001, 1.0, "0.0"),
        (3.0, None, "+3.000"),
        (None, None, "-"),
    ],
)
def test_offset_is_rounded_to_its_uncertainty(known: Evaluation, offset, u, said):
    assert brief.offset_text(assessed(known, offset_ppm=offset, u_ppm=u)) == said


@pytest.mark.parametrize(
    ("hz", "said"),
    [
        (480.0, "480 Hz"),  # 30 ppm of 16 MHz: common practice, no source
        (3.14159, "3.1 Hz"),
        (0.571, "0.57 Hz"),
        (0.0012, "1.2 mHz"),
        (4.2e-6, "4.2 µHz"),
        (20_000.0, "20 kHz"),
        (1.5e6, "1.5 MHz"),
        (0.0, "0 Hz"),
    ],
)
def test_small_frequencies(hz, said):
    assert brief.short_hz(hz) == said


@pytest.mark.parametrize(
    ("p", "said"),
    [
        (1.0, "conformance > 99.99 %"),
        (0.99991, "conformance > 99.99 %"),
        (0.5, "conformance 50.00 %"),
        (0.00009, "conformance < 0.01 %"),
        (None, "conformance not known"),
    ],
)
def test_conformance_is_never_certain(known: Evaluation, p, said):
    assert brief.conformance_text(assessed(known, conformance=p)) == said


def test_time_base_says_how_it_is_known():
    stated = Timebase(
        status="stated",
        offset_ppm=0.0,
        u_ppm=0.03,
        valid_until_utc_ns=None,
        text="stated +-0.05 ppm in the bench file",
    )
    assert brief.timebase_text(stated) == "stated ±0.05 ppm in the bench file"
    checked = Timebase(
        status="checked", offset_ppm=0.1234, u_ppm=0.004, valid_until_utc_ns=1, text=""
    )
    said = brief.timebase_text(checked, "2030-03-18 17:46")
    assert said == "checked: +0.1234 ± 0.0078 ppm, holds until 2030-03-18 17:46"


def test_share_of_the_budget_is_the_share_of_the_variance():
    lines = (
        BudgetLine(name="time base", u_ppm=3.0),
        BudgetLine(name="statistics", u_ppm=4.0),
    )
    said = brief.main_share(
        Budget(lines=lines, u_ppm=5.0, degrees_of_freedom=1e9, k=2.0, expanded_ppm=10.0)
    )
    assert said == "mostly statistics (64 %), k = 2.00"


def test_jitter_names_gate_and_both_units(known: Evaluation):
    stats = replace(known.assessment.stats, jitter_ppm_rms=0.0013, jitter_ppm_pp=12.34)
    said = brief.jitter_text(assessed(known, stats=stats), 16e6)
    assert said == "0.0013 ppm rms, 12 ppm p-p (0.021 Hz, 197 Hz), gate 1 s"


def test_jitter_of_too_few_readings_is_not_a_figure(known: Evaluation):
    few = assessed(known, stats=replace(known.assessment.stats, jitter_ppm_rms=None))
    assert brief.jitter_text(few, 16e6) == "needs at least 3 readings"


def test_ambient_typed_or_missing_is_said(known: Evaluation):
    stats = replace(known.assessment.stats, n_typed_ambient=48)
    said = brief.ambient_text(assessed(known, stats=stats))
    assert said == "24.8 °C, as the operator stated"
    stats = replace(known.assessment.stats, n_ambient=40)
    said = brief.ambient_text(assessed(known, stats=stats))
    assert said == "24.8 °C, missing for 8 readings"
