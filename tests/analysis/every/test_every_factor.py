"""Mean squares at every averaging factor, against long double sums and AllanTools.

Peers: the definitions summed in long double (numpy.longdouble, 80 bits on x86), to
1e-9 at every factor; AllanTools 2024.6 at all factors of a short run.
"""

import numpy as np
import pytest
from analysis.peer_library import peer_function
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.series import Series
from benchlog.analysis.stability.deviations import DeviationRequest
from benchlog.analysis.stability.estimation import stabilities
from benchlog.analysis.stability.every import all_factors
from benchlog.analysis.stability.every.all_factors import (
    ALLAN,
    EXACT,
    HADAMARD,
    MODIFIED,
    every_mean_square,
    sums_of_squares,
)
from benchlog.analysis.stability.every.edge_sums import edge_sums
from benchlog.analysis.stability.every.lagged_products import lagged_sums
from benchlog.analysis.stability.every.segments import remainders, summed_remainders

N = 3000
KINDS = {"adev": ALLAN, "hdev": HADAMARD, "mdev": MODIFIED}


def noises(n):
    """White PM to random-run FM; an offset and a drift; a tone far above the noise."""
    w = seeded_generator(3).standard_normal(n)
    k = np.arange(float(n))
    found = {"white PM": w}
    for name in ("white FM", "random-walk FM", "random-run FM"):
        found[name] = np.cumsum(list(found.values())[-1])
    mixed = 1e-9 * w + 1e-12 * found["white FM"]
    found["offset and drift"] = mixed + 3e-5 * k + 1e-13 * k**2 + 7.0
    found["tone"] = found["white FM"] + 3000.0 * np.sin(k / 100.0)
    return found


def exact_sum(phase, differences, m):
    """The sum of squares in long double, by definition."""
    values = phase.astype(np.longdouble)
    for _ in range(2 if differences.summed else differences.order):
        values = values[m:] - values[:-m]
    if (
        differences.summed
    ):  # sums over m, of differences: those of the phase lose digits
        values = np.concatenate(([0], np.cumsum(values)))
        values = values[m:] - values[:-m]
    return (values**2).sum(), len(values)


SOME = ("white FM", "random-run FM", "tone")
NAMES = [name if name in SOME else seldom(name) for name in noises(8)]


@pytest.mark.parametrize("differences", KINDS.values(), ids=KINDS)
@pytest.mark.parametrize("name", NAMES)
def test_every_factor_is_that_of_long_double(name, differences):
    phase = noises(N)[name]
    top = (N - 1 + differences.summed) // differences.order
    found = every_mean_square(phase, differences, top)
    scale = np.arange(1, top + 1) if differences.summed else np.ones(top)
    for m in range(1, top + 1, 3):
        summed, count = exact_sum(phase, differences, m)
        assert count == differences.count(N, m)
        exact = float(summed / count) / scale[m - 1] ** 2
        assert found[m - 1] == pytest.approx(exact, rel=EXACT, abs=0.0), m


@pytest.mark.parametrize("differences", KINDS.values(), ids=KINDS)
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("low", "top"), [(16, 64), (70, 200), (400, 900)])
def test_no_error_is_beyond_its_bound(name, differences, low, top):
    phase = noises(N)[name]
    take = summed_remainders if differences.summed else remainders
    rest = take(phase, differences.order, 3 * top, 3 * top)
    found, bound = sums_of_squares(rest, differences.order, low, top)
    for m in range(low + 1, top + 1, 7):
        exact, _ = exact_sum(phase, differences, m)
        assert abs(float(found[m - low - 1] - exact)) <= bound[m - low - 1], m


def test_lagged_and_edge_sums_are_the_plain_ones():
    r = seeded_generator(4).standard_normal(2000)
    sums, error = lagged_sums(r, 300)
    plain = np.array([r[: 2000 - lag] @ r[lag:] for lag in range(301)])
    assert np.abs(sums - plain).max() <= error < 1e-9
    ends = np.zeros((2, 4000))
    ends[:, :2000] = r, r[::-1]
    for growth, lag in ((1, 1), (1, 2), (2, 1)):
        found, error = edge_sums(ends, growth, lag, 37, 600)
        plain = [
            sum(float(e[: growth * m] @ e[lag * m :][: growth * m]) for e in ends)
            for m in range(38, 601)
        ]
        assert np.abs(found - plain).max() <= error < 1e-8


def test_a_sum_that_the_transform_cannot_tell_is_added_as_it_is(monkeypatch):
    """A tone's differences at its period are far below it: no bound allows that."""
    asked = []
    plain = all_factors.direct_mean_square

    def seen(phase, differences, m):
        asked.append(m)
        return plain(phase, differences, m)

    monkeypatch.setattr(all_factors, "direct_mean_square", seen)
    k = np.arange(float(N))
    tone = 1e6 * np.sin(2 * np.pi * k / 500) + seeded_generator(5).standard_normal(N)
    every_mean_square(tone, HADAMARD, 900)
    assert 500 in asked
    assert len(asked) < 450


def test_an_offset_and_a_drift_do_not_cost_the_transform_its_digits(monkeypatch):
    """10 s of phase by an offset, 0.4 s by a drift, 1e-9 s of noise."""
    asked = []
    monkeypatch.setattr(
        all_factors, "direct_mean_square", lambda _, __, m: asked.append(m) or 0.0
    )
    n = 60_000
    k = np.arange(float(n))
    noise = 1e-9 * seeded_generator(7).standard_normal(n)
    every_mean_square(noise + 2e-4 * k + 1e-10 * k**2, HADAMARD, n // 4)
    assert len(asked) < 100


def test_what_is_added_as_it_is_has_no_offset_either():
    """At the longest factors few differences are left, of phases 12 s apart."""
    n = 60_000
    noise = 1e-9 * seeded_generator(8).standard_normal(n)
    phase = noise + 2e-4 * np.arange(float(n))
    top = (n - 1) // 3
    found = every_mean_square(phase, HADAMARD, top)
    for m in (1, 17, top - 40, top - 1, top):
        summed, count = exact_sum(phase, HADAMARD, m)
        assert found[m - 1] == pytest.approx(float(summed / count), rel=EXACT, abs=0.0)


def test_a_parabola_without_noise_ends():
    """Its third differences are zero: below the last digit nothing is pursued."""
    phase = np.arange(2000.0) ** 2 * 1e-7
    found = every_mean_square(phase, HADAMARD, 600)
    assert (found <= 1e-30).all()


def test_deviations_are_those_of_the_library():
    phase = np.cumsum(seeded_generator(6).standard_normal(320))
    kinds = ("adev", "mdev", "tdev", "hdev")
    peers = [peer_function(name) for name in ("oadev", "mdev", "tdev", "ohdev")]
    request = DeviationRequest(spacing="every")
    ours = stabilities(Series(phase, 1.0, "phase"), kinds, request)
    for found, peer in zip(ours, peers, strict=True):
        rows = [row for row in found.rows if row.n > 1]
        taus, values, *_ = peer(
            phase, rate=1.0, data_type="phase", taus=[row.tau_s for row in rows]
        )
        theirs = dict(zip(taus.tolist(), values.tolist(), strict=True))
        shared = [row for row in rows if row.tau_s in theirs]
        assert len(shared) > 100
        for row in shared:
            assert row.value == pytest.approx(theirs[row.tau_s], rel=1e-9)
