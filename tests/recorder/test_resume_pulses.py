"""A soak of pulses that broke off goes on with what it had."""

import pytest
from pulse_scene import PulseScene

from benchlog.clock import VirtualClock
from benchlog.model import Purpose
from benchlog.recorder.run.resume import resumed
from benchlog.store.writer import Writer


def test_its_pulses_are_counted_and_the_gap_begins_with_the_last_one(tmp_path):
    path, clock = tmp_path / "bench.db", VirtualClock()
    with Writer.open(path, clock) as writer:
        scene = PulseScene(writer, clock, purpose=Purpose.SOAK)
        run_id = scene.begin()
        scene.write(300)
        now_ns = clock.now_utc_ns + 50 * 10**9
        found = resumed(path, run_id, now_ns)
    assert found.readings == 300
    assert found.judge.assessment().offset_ppm == pytest.approx(3.0, abs=0.2)
    assert found.gap.endswith(", 50 s before")
    assert found.plan.position == "A"
