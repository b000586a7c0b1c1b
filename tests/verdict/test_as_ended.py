"""The word of a run that was cut short: none, in every place where it is told."""

import pytest
from screen.scenes import Scene, Stage

from benchlog.evaluation.document import run_document
from benchlog.evaluation.run_evaluation import evaluate
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
