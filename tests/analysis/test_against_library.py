"""Every deviation beside a general-purpose library, on noise of each type.

Reference: AllanTools 2024.6, from the packages the tests install; tests only.
"""

from dataclasses import replace

import numpy as np
import pytest
from analysis.peer_library import peer_function
from hypothesis import given, settings
from hypothesis import strategies as st
from noise_makers import KINDS, make
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.series import Series
from benchlog.analysis.stability.difference_sums import total_squares
from benchlog.analysis.stability.estimation import DeviationRequest, stability
from benchlog.analysis.stability.total_variance import TOTAL_SHORT, total_bias

PEERS = {
    ("adev", "overlapping"): "oadev",
    ("adev", "plain"): "adev",
    ("mdev", "overlapping"): "mdev",
    ("tdev", "overlapping"): "tdev",
    ("hdev", "overlapping"): "ohdev",
    ("hdev", "plain"): "hdev",
    ("totdev", "overlapping"): "totdev",
    ("mtie", "overlapping"): "mtie",
}


@pytest.mark.parametrize("peer", PEERS, ids="-".join)
@pytest.mark.parametrize("examples", [8, seldom(25)])
def test_same_figures(peer, examples):
    @settings(max_examples=examples, deadline=None)
    @given(
        n=st.integers(12, 700),
        noise=st.sampled_from(KINDS),
        seed=st.integers(0, 10_000),
        tau0=st.sampled_from([0.01, 1.0, 10.0]),
        data=st.sampled_from(["frequency", "phase"]),
        level=st.sampled_from([1e-12, 1e-9, 1.0]),
    )
    def of(n, noise, seed, tau0, data, level):  # noqa: PLR0917
        kind, estimator = peer
        y = level * make(noise, seeded_generator(seed), 1, n)[0]
        phase = np.concatenate(([0.0], np.cumsum(y))) * tau0
        ours = Series(y if data == "frequency" else phase, tau0, data)
        found = {
            row.m: row
            for row in stability(ours, kind, DeviationRequest(estimator)).rows
        }
        taus, theirs, _, counts = peer_function(PEERS[peer])(
            phase, rate=1.0 / tau0, data_type="phase", taus="octave"
        )
        compared = 0
        for tau, value, count in zip(taus, theirs, counts, strict=True):
            row = found.get(round(tau / tau0))
            if row is None or count < 2:
                continue
            if kind == "totdev":  # theirs is not corrected
                at_most = total_bias(row.m, n, max(TOTAL_SHORT.values())) ** 0.5
                assert value * (1 - 1e-9) <= row.value <= value / at_most * (1 + 1e-9)
                raw = total_squares(phase / tau0, row.m)[0] / (2.0 * row.m**2)
                row = replace(row, value=raw**0.5)
            assert row.value == pytest.approx(value, rel=1e-9)
            compared += 1
        assert compared

    of()
