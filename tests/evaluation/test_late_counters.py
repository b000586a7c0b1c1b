"""A counter that was found to answer one question late decides nothing in a rack."""

from dataclasses import replace

import pytest
import rack_scene
from rack_scene import write_rack

from benchlog.evaluation.rack_study import OUT_OF_TURN, qualification_of
from benchlog.model import Decision, EventKind
from benchlog.store.reader import Reader


@pytest.mark.parametrize("kind", [EventKind.OUT_OF_TURN, EventKind.NOTE])
def test_readings_that_may_be_of_another_device_decide_nothing(
    tmp_path, monkeypatch, kind
):
    rows_of = rack_scene.rows_of

    def with_event(*given):
        rows = list(rows_of(*given))
        yield from rows
        yield replace(rows[-1], kind=kind)

    monkeypatch.setattr(rack_scene, "rows_of", with_event)
    run, *_ = write_rack(tmp_path / "q.db", "temperature-five-points")
    with Reader.open(tmp_path / "q.db") as reader:
        found = qualification_of(reader, run)
    promised = [
        line for one in found.devices for line in one.found if line.limit is not None
    ]
    told = {OUT_OF_TURN in line.text for line in promised}
    assert told == {kind == EventKind.OUT_OF_TURN}
    if kind == EventKind.OUT_OF_TURN:
        assert {line.verdict for line in promised} == {Decision.UNDECIDED}
    else:
        assert {line.verdict for line in promised} != {Decision.UNDECIDED}
