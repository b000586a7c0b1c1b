"""What a run says when its gate is too short for the limit it is held against."""

import numpy as np
import pytest
from columns_maker import columns
from seeds import seeded_generator

from benchlog.model import (
    Kind,
    Limits,
    Part,
    Timebase,
)
from benchlog.verdict.run.reading_judge import RunJudge

FINE = Timebase(
    status="checked",
    offset_ppm=0.0,
    u_ppm=1e-4,
    valid_until_utc_ns=None,
    text="checked",
)


def reasons(limit_ppm, gate_s, resolution_hz):
    rng = seeded_generator(1)
    part = Part(
        id="p",
        title="16 MHz",
        kind=Kind.QUARTZ,
        nominal_hz=16e6,
        limits=Limits(tolerance_ppm=limit_ppm),
    )
    judge = RunJudge(part, timebase=FINE, resolution_hz=resolution_hz)
    hz = 16e6 + resolution_hz * np.round(3 * rng.standard_normal(40))
    judge.feed(columns(hz, gate_s=gate_s))
    return " ".join(judge.assessment().reasons)


@pytest.mark.parametrize(
    ("limit_ppm", "gate_s", "resolution_hz", "said"),
    [
        # 1 Hz of 16 MHz is 0.0625 ppm at 0.1 s, 0.00625 ppm at 1 s: a tenth of 0.3
        (0.3, 0.1, 1.0, "a gate of 0.1 s is short for +-0.3 ppm: 1 s reads it"),
        (0.3, 1.0, 1.0, "a gate of 1 s is short for +-0.3 ppm: 10 s reads it"),
        (1e-4, 0.1, 1.0, "this counter cannot read +-0.0001 ppm to a tenth"),
    ],
)
def test_a_gate_too_short_is_said_with_one_that_will_do(
    limit_ppm, gate_s, resolution_hz, said
):
    assert said in reasons(limit_ppm, gate_s, resolution_hz)


def test_a_gate_that_will_do_is_not_talked_of():
    assert "gate" not in reasons(30.0, 0.1, 1.0)
