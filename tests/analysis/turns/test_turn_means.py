"""Runs in turns: dead time is no gap, and U follows the turns, not the time gone by.

Bias of variances with dead time: NIST TN 1318 (Barnes, Allan); white FM has none, so
the standard deviation of a mean of n readings is s/sqrt(n) whatever lies between them.
"""

import math

import numpy as np
import pytest
from columns_maker import columns, part_of
from noise_makers import make
from scipy.special import stdtrit
from seeds import seeded_generator
from tiers import seldom
from turn_makers import fed, in_turns

from benchlog.analysis.running import Running
from benchlog.analysis.series import series_from_columns
from benchlog.analysis.stability.dead_time import dead_time_bias
from benchlog.analysis.uncertainty import mean_uncertainty
from benchlog.catalogue import load_part
from benchlog.errors import DataError
from benchlog.model import Flag
from benchlog.verdict.run.reading_judge import RunJudge

NOMINAL = 1e6
PPB = 1e-9


def stats_of(values, gates=10, others=3):
    running = Running(NOMINAL)
    running.feed(in_turns(NOMINAL * (1 + PPB * values), gates, others))
    return running.stats()


def test_turns_are_no_gaps_and_are_told():
    stats = stats_of(seeded_generator(1).standard_normal(400))
    assert stats.gaps == 0
    assert (stats.n, stats.turns.turns, stats.turns.gates) == (100, 10, 10)
    assert stats.turns.spacing_s == pytest.approx(40.0)
    assert stats.turns.live_share == pytest.approx(0.25)
    assert stats.tau0_s == pytest.approx(1.0)  # within a turn readings follow


def test_scatter_from_reading_to_reading_is_that_within_turns():
    """What lies between two turns is no difference of neighbours."""
    level = np.repeat(1e4 * np.arange(10), 40)  # each turn somewhere else
    white = seeded_generator(2).standard_normal(400)
    stats = stats_of(level + white)
    assert stats.scatter_ppm == pytest.approx(1e-3, rel=0.2)
    assert stats.turns.avar[0].avar > 25.0


@pytest.mark.parametrize("size", [1, 3, 17, 1000])
def test_chunks_do_not_matter(size):
    whole = in_turns(
        NOMINAL * (1 + PPB * seeded_generator(3).standard_normal(800)), 10, 3
    )
    one, other = (fed(Running(NOMINAL), whole, n).stats() for n in (size, 7))
    assert one.turns == other.turns


def test_u_of_white_noise_is_that_of_the_readings_there_are():
    """Mean over runs of u for white FM: not below s/sqrt(n) of what was counted.

    Judged by the time gone by, as before, it was 0.08 where this is 0.09.
    """
    rng, n = seeded_generator(4), 120
    found = [
        mean_uncertainty(stats_of(row, 10, 7)).u_ppm * 1e3
        for row in rng.standard_normal((20, 960))
    ]
    assert np.mean(found) >= 1 / math.sqrt(n)


@pytest.mark.parametrize(
    ("kind", "least"),
    [seldom("white PM", 0.95), ("white FM", 0.95), seldom("flicker FM", 0.93),
     ("random-walk FM", 0.80)],
)  # fmt: skip
def test_the_next_stretch_lies_within_u(kind, least):
    """Of 40 runs of 40 turns: the continuous mean of as long a stretch that follows."""
    gates, others, turns = 5, 3, 40
    n = turns * gates * (1 + others)
    inside = 0
    for row in make(kind, seeded_generator(5), 40, 2 * n):
        stats = stats_of(row[:n], gates, others)
        mean = mean_uncertainty(stats)
        k = stdtrit(mean.degrees_of_freedom, 0.975) * math.sqrt(2)
        away = abs(stats.offset_ppm * 1e3 - row[n:].mean())
        inside += away <= k * mean.u_ppm * 1e3
    assert inside / 40 >= least


def test_noise_across_dead_time_is_not_told_apart():
    mean = mean_uncertainty(stats_of(seeded_generator(6).standard_normal(2400)))
    assert "white PM or FM" in mean.text
    assert "60 turns of 10 readings, one every 40 s" in mean.text


def test_one_turn_alone_counts_by_its_readings():
    stats = stats_of(seeded_generator(7).standard_normal(12))
    assert stats.turns is None
    assert mean_uncertainty(stats).u_ppm > 0


def test_a_turn_that_is_missing_leaves_its_place_empty():
    whole = in_turns(
        NOMINAL * (1 + PPB * seeded_generator(8).standard_normal(800)), 10, 3
    )
    at = np.arange(len(whole))
    kept = (at < 50) | (at >= 60)  # all of the sixth turn
    fewer = type(whole)(*(getattr(whole, n)[kept] for n in type(whole).__slots__))
    running = Running(NOMINAL)
    running.feed(fewer)
    found = running.stats().turns
    assert found.spacing_s == pytest.approx(40.0)
    assert found.avar[0].n == 20 - 1 - 2  # pairs with the missing one are gone


def test_a_turn_cut_short_counts_with_half_of_its_readings():
    whole = in_turns(
        NOMINAL * (1 + PPB * seeded_generator(9).standard_normal(800)), 10, 3
    )
    at = np.arange(len(whole))

    def without(lost):
        kept = ~np.isin(at, lost)
        columns = type(whole)(*(getattr(whole, n)[kept] for n in type(whole).__slots__))
        running = Running(NOMINAL)
        running.feed(columns)
        return running.stats().turns.avar[0].n

    assert without(range(56, 60)) == 19
    assert without(range(52, 60)) == 17


def test_series_has_the_spacing_and_the_dead_time_of_turns():
    white = seeded_generator(10).standard_normal(4000)
    series = series_from_columns(in_turns(NOMINAL * (1 + PPB * white), 10, 3), NOMINAL)
    assert len(series) == 100
    assert series.tau0_s == pytest.approx(40.0)
    assert series.gate_s == pytest.approx(10.0)
    assert series.dead_time_ratio == pytest.approx(4.0)
    assert np.nanstd(series.values) == pytest.approx(PPB / math.sqrt(10), rel=0.25)
    # TN 1318: no bias for white FM; B2 = 2/3 for white PM, and m of a mean of m
    assert dead_time_bias(1, series.dead_time_ratio, 0) == pytest.approx(1.0)
    assert dead_time_bias(4, series.dead_time_ratio, 2) == pytest.approx(8 / 3)


def test_one_turn_is_no_series():
    flags = np.zeros(10, dtype=np.int64)
    flags[5] = int(Flag.TURN)
    lone = columns(np.full(10, NOMINAL), flags=flags)
    assert len(series_from_columns(lone, NOMINAL)) == 2
    with pytest.raises(DataError, match="turns"):
        series_from_columns(part_of(lone, 4, 10), NOMINAL)


def test_readings_left_out_before_a_turn_are_no_gap():
    """Scans while a rack settles are kept and left out: the next turn is a turn."""
    whole = in_turns(
        NOMINAL * (1 + PPB * seeded_generator(11).standard_normal(400)), 10, 3
    )
    whole.flags[20:30] |= int(Flag.SETTLING)
    running = Running(NOMINAL)
    running.feed(whole)
    assert running.stats().gaps == 0


def test_the_judge_tells_of_turns():
    part = load_part("quartz-16mhz-30ppm")
    judge = RunJudge(part)
    white = seeded_generator(12).standard_normal(800)
    judge.feed(in_turns(part.nominal_hz * (1 + PPB * white), 10, 3))
    found = judge.assessment()
    assert any("in turns: 10 readings every 40 s, 25 %" in one for one in found.reasons)
    lines = {line.name: line for line in found.budget.lines}
    assert "20 turns of 10 readings" in lines["statistics"].text
