"""A run in words, in full: figures with units, words for what is unknown."""

import math
from dataclasses import replace

import pytest
from screen.scenes import Scene, Stage

from benchlog.evaluation import brief_wording
from benchlog.evaluation.rack.wording import value_and_u
from benchlog.evaluation.run_evaluation import Evaluation, evaluate
from benchlog.evaluation.verdict_wording import symbol_of
from benchlog.evaluation.wording import (
    PAGE,
    SCREEN_FACTS,
    TERMINAL,
    Style,
    offset_text,
    run_facts,
)
from benchlog.model import Decision
from benchlog.store.reader import Reader
from benchlog.verdict.fitness.fitness import FitnessDecision
from benchlog.verdict.lot.lot_decision import LotResult
from benchlog.verdict.run.reference_band import AtReference


@pytest.fixture
def known(stage: Stage) -> Evaluation:
    scene = Scene(offset_ppm=-9.25, scatter_ppm=0.001)
    run_id = stage.begin(scene)
    stage.readings(run_id, scene.values(48))
    stage.writer.end_run(run_id, "verdict clear")
    with Reader.open(stage.database) as reader:
        return evaluate(reader, run_id)


def with_figures(known: Evaluation, stats: dict, **figures) -> Evaluation:
    a = known.assessment
    changed = replace(a, stats=replace(a.stats, **stats), **figures)
    return replace(known, assessment=changed)


def test_offset_in_ppm_hz_and_seconds_a_day(known: Evaluation) -> None:
    # 148 Hz low at 16 MHz is -9.25 ppm (common practice, no source), and
    # -9.25e-6 * 86400 s = -0.7992 s a day
    found = with_figures(known, {}, offset_ppm=-9.25, u_ppm=0.58).assessment
    said = offset_text(found, 16e6)
    assert said == "-9.25 ppm +- 0.58 ppm (95 %), -148.0 Hz, -0.799 s/day"


def test_known_figures_are_all_there(known: Evaluation) -> None:
    stats = {
        "n": 10, "span_s": 10.0, "gate_s": 1.0, "avar": (), "jitter_ppm_rms": 0.01234,
        "jitter_ppm_pp": 0.0456, "ambient_mean_c": 24.94, "ambient_min_c": 24.8,
        "ambient_max_c": 25.11,
    }  # fmt: skip
    found = with_figures(known, stats, word=Decision.PASS, conformance=1.0 - 1e-9)
    said = dict(run_facts(found, TERMINAL))
    assert said["jitter"] == (
        "0.0123 ppm rms (0.197 Hz) about a straight line; highest less lowest reading, "
        "drift included: 0.0456 ppm p-p (0.730 Hz); gate 1 s"
    )
    assert said["ambient"] == "24.9 C (24.8 to 25.1 C)"
    assert said["readings"].startswith("10 in 10 s, 0 gaps")
    first = said["verdict"].split("\n")[0]
    assert first == "✓ PASS, conformance probability > 99.99 %"


def test_what_is_no_number_is_unknown(known: Evaluation) -> None:
    stats = {"jitter_ppm_rms": math.nan, "jitter_ppm_pp": math.inf}
    found = with_figures(
        known, stats, offset_ppm=math.inf, u_ppm=math.nan, conformance=math.nan
    )
    said = dict(run_facts(found, TERMINAL))
    assert said["offset"] == said["jitter"] == "unknown"
    assert "probability" not in said["verdict"]


def test_a_style_says_which_facts_and_in_which_words(known: Evaluation) -> None:
    page = dict(run_facts(known, PAGE))
    assert list(page) == ["Offset", "Jitter", "Limit", "Ambient", "Readings"]
    terminal = dict(run_facts(known, TERMINAL))
    assert page["Limit"] == terminal["limit"]
    screen = dict(run_facts(known, Style(SCREEN_FACTS, brief=True)))
    assert list(screen) == ["jitter", "time base", "ambient", "limit", "U"]
    assert screen["ambient"] == brief_wording.ambient_text(known.assessment)
    assert "°C" in screen["ambient"] and "°" not in terminal["ambient"]


def test_a_capital_changes_the_first_letter_of_a_label_only(known: Evaluation) -> None:
    at = AtReference(
        temperature_c=25.0,
        band_c=3.0,
        n=48,
        n_outside=48,
        offset_ppm=-9.0,
        u_ppm=0.5,
        budget=known.assessment.budget,
        moved_ppm=0.25,
        law="a law",
    )
    moved = replace(known, assessment=replace(known.assessment, at_reference=at))
    assert "At 25 C" in dict(run_facts(moved, PAGE))


@pytest.mark.parametrize("decided", [*Decision, *LotResult, *FitnessDecision])
def test_each_decision_has_one_sign(decided) -> None:
    assert symbol_of(decided) in {"✓", "✗", "?"}
    assert symbol_of("none") == ""


def test_what_does_not_count_is_told_in_the_verdicts_place(known: Evaluation) -> None:
    found = replace(known, run=replace(known.run, set_aside=True))
    lines = dict(run_facts(found, TERMINAL))["verdict"].split("\n")
    assert lines[0] == "- does not count: taken back"
    assert lines[1].startswith("by its readings: ")
    damaged = replace(known, run=replace(known.run, damaged=True))
    first = dict(run_facts(damaged, TERMINAL))["verdict"].split("\n")[0]
    assert first == f"{symbol_of('fail')} FAIL, the device is damaged"
    assert damaged.decision is Decision.FAIL


def test_a_characteristics_u_is_written_as_its_value_is():
    assert value_and_u(0.0132, 7.7e-4, signed=False) == ("0.01320", "0.00077")
    assert value_and_u(0.0132, 7.7e-4, signed=True) == ("+0.01320", "0.00077")
    value, u = value_and_u(3e-5, 1e-6, signed=False)
    assert "e" in value and u == "1.0e-6"
    assert value_and_u(0.0, 0.0074, signed=False) == ("0", "0.0074")
