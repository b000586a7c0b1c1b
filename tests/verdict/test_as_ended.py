"""The word of a run that was cut short: none, in every place where it is told."""

from dataclasses import replace

import numpy as np
import pytest
from screen.scenes import Scene, Stage
from seeds import seeded_generator

from benchlog.evaluation.document import run_document
from benchlog.evaluation.run_evaluation import evaluate
from benchlog.model import Timebase
from benchlog.store.reader import Reader


@pytest.fixture
def stage(tmp_path):
    stage = Stage(tmp_path / "bench.db")
    yield stage
    stage.close()


def word(stage, scene):
    run_id = stage.play(scene)
    with Reader.open(stage.database) as reader:
        return run_document(evaluate(reader, run_id))


# our rule: a run that was broken off before its plan was over decides nothing, a run
# that a person stopped does, from its first planned look on
@pytest.mark.parametrize(
    ("ended", "readings", "plan", "expected"),
    [
        ("interrupted", 3, {"until_clear": True}, "undecided"),
        ("terminal closed", 40, {"max_readings": 60}, "undecided"),
        ("broken off", 40, {"max_s": 3600.0}, "undecided"),
        ("interrupted", 40, {}, "pass"),
        ("stopped", 5, {"until_clear": True}, "undecided"),
        ("stopped", 40, {"until_clear": True}, "pass"),
        ("stopped", 40, {"max_readings": 60}, "pass"),
        ("readings reached", 40, {"max_readings": 40}, "pass"),
    ],
)
def test_a_run_cut_short_has_no_verdict(stage, ended, readings, plan, expected):
    without = {"until_clear": False, "max_readings": None, "max_s": None}
    found = word(stage, Scene(readings=readings, ended=ended, **(without | plan)))
    assert found["verdict"] == expected
    assert found["offset_ppm"] is not None
    cut = expected == "undecided"
    assert ("no verdict" in found["reasons"][0]) is cut


def test_the_last_of_several_looks_wants_more_room_than_one(stage):
    """U alone leaves 2.5 % a side; a run to a fixed end has it, looks share it."""
    known = Timebase(status="checked", offset_ppm=0.0, u_ppm=0.5)
    offset_ppm = 30.0 - 1.01 * 1.96 * known.u_ppm
    alone = {"until_clear": False, "max_readings": 300, "ended": "readings reached"}
    scene = Scene(readings=300, offset_ppm=offset_ppm, scatter_ppm=0.01, timebase=known)
    assert word(stage, replace(scene, **alone))["verdict"] == "pass"
    looked = word(stage, replace(scene, ended="readings reached"))
    assert looked["verdict"] == "undecided"
    assert "several looks share the 2.5 %" in looked["reasons"][0]


def test_a_run_that_wanders_to_its_planned_end_says_why(stage):
    def walk(at_s):
        return np.cumsum(seeded_generator(12).normal(0, 0.05, len(at_s)))

    found = word(stage, Scene(readings=300, shape=walk, ended="readings reached"))
    assert "measured to the planned end" in found["reasons"][-1]
