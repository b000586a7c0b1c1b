"""Racks that were broken off early: whatever there is of each device, it is told."""

from dataclasses import replace

import pytest
from rack_scene import write_rack
from recorder.rack.death_scene import SEQUENCE

from benchlog.evaluation.rack.turn_points import device_points
from benchlog.evaluation.rack_study import base_of, plan_of, runs_of
from benchlog.store.reader import Reader
from benchlog.verdict.rack.findings import characteristics, rack_wander


@pytest.mark.parametrize("counts", [(3, 3, 1), (3, 1, 0), (1, 1, 1), (6, 0, 2)])
@pytest.mark.parametrize("silent", [False, True])
def test_devices_with_few_points_are_told(tmp_path, counts, silent):
    """A device of one point beside others with more was an unexpected error of `show`,
    `report` and `qualify`: one that was stopped, or silent but once.
    """
    (tmp_path / "short.toml").write_text(SEQUENCE)
    first, *_ = write_rack(tmp_path / "q.db", str(tmp_path / "short.toml"))
    with Reader.open(tmp_path / "q.db") as reader:
        plan = plan_of(reader.run(first))
        runs = runs_of(reader, plan)
        whole = [tuple(device_points(reader, run, plan)) for run in runs]
    points = [
        [
            replace(
                point, offsets_ppm=point.offsets_ppm[: 0 if silent and k % 2 else 9]
            )
            for k, point in enumerate(several[:count])
        ]
        for several, count in zip(whole, counts, strict=True)
    ]
    wander = rack_wander(plan, runs[0].part, points)
    for run, own, restless in zip(runs, points, wander, strict=True):
        found = characteristics(plan, run.part, own, base_of(run, restless))
        assert [line.name for line in found] == list(plan.finds)
