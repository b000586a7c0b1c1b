"""Devices are measured once they have come; intervals hold what they truly have."""

import numpy as np
import pytest
from recorder.rack.coverage_campaign import PART, REFERENCES, measured_rack, short

from benchlog.catalogue import load_sequence


def test_no_device_is_measured_while_it_still_follows_the_air():
    """32 devices take so long for a scan that its slope was that of the ramp.

    Takes 2 s: a whole rack through five temperatures. The table is COVERAGE.md.
    """
    assert PART.limits.range_c == (-40, 85)
    sequence = short(load_sequence("temperature-five-points"))
    bench, truths = measured_rack(sequence, 32, 4)
    held = []
    for run in bench.rack.runs:
        points, found = bench.found(run)
        for point in points:
            true = truths[run.run_id].ppm[point.step.index]
            assert point.offsets_ppm.mean() == pytest.approx(true, abs=0.03)
            assert point.turn.drift_ppm_per_min is not None
        true = truths[run.run_id].truths(REFERENCES)
        held += [
            abs(found[k].value - true[k]) <= found[k].u for k in true if k in found
        ]
    assert np.mean(held) >= 0.90
