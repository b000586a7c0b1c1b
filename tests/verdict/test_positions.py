"""Devices that differ by where they sat, not by what they are."""

import re

import numpy as np
import pytest
import scipy
from seeds import seeded_generator

from benchlog.evaluation.lot_document import lot_document
from benchlog.evaluation.lot_plan import plan_document
from benchlog.evaluation.lots import lot_report
from benchlog.model import (
    Decision,
    Kind,
    Limits,
    Lot,
    LotRun,
    Part,
)
from benchlog.verdict.lot.lot_report import LotReport
from benchlog.verdict.lot.lot_text import lot_facts, lot_findings
from benchlog.verdict.lot.position_differences import positions_apart
from benchlog.verdict.lot.sampling_plan import custom_plan


def seated(rng: np.random.Generator, **means: float) -> list[tuple[str, float]]:
    return [
        (name, float(ppm))
        for name, mean in means.items()
        for ppm in rng.normal(mean, 2.0, 12)
    ]


def test_the_probability_is_scipys_welch_test() -> None:
    given = seated(seeded_generator(3), A=1.0, B=5.0)
    found = positions_apart(given)
    assert found is not None and (found.low.position, found.high.position) == ("A", "B")
    sides = [[ppm for name, ppm in given if name == place] for place in "AB"]
    wanted = scipy.stats.ttest_ind(*sides, equal_var=False).pvalue
    assert found.probability == pytest.approx(wanted)
    means = [float(np.mean(side)) for side in sides]
    assert [found.low.mean_ppm, found.high.mean_ppm] == pytest.approx(means)
    assert "look at the hook-up" in found.text


def test_positions_that_do_not_differ_are_seldom_pointed_at() -> None:
    """At most 1 in 100 by chance, whatever the number of positions (Bonferroni)."""
    rng = seeded_generator(8)
    said = sum(
        positions_apart(seated(rng, A=0.0, B=0.0, C=0.0, D=0.0)) is not None
        for _ in range(600)
    )
    # The farthest pair of four is looked at with six times its chance: below 1 %.
    assert said <= scipy.stats.binom.ppf(0.999, 600, 0.01)


@pytest.mark.parametrize(
    "given",
    [
        [],
        [("A", 1.0)] * 9,  # one position
        [("A", 1.0)] * 9 + [("B", 9.0), ("B", 9.1)],  # too few at B
    ],
)
def test_too_little_says_nothing(given: list[tuple[str, float]]) -> None:
    assert positions_apart(given) is None


def test_scatter_below_what_was_measured_with_points_at_nothing() -> None:
    given = [("A", 1.0), ("B", 1.0001)] * 5
    assert positions_apart(given, floor_ppm=0.01) is None
    found = positions_apart(given)
    assert found is not None and found.probability == 0.0


def test_two_counters_that_may_differ_by_that_much() -> None:
    given = [("A", 1.0 + k / 1000) for k in range(5)]
    given += [("B", 1.05 + k / 1000) for k in range(5)]
    found = positions_apart(given, u_common_ppm=0.058)
    assert (
        found is not None
        and "if two counters measured, their time bases may" in found.text
    )
    found = positions_apart(given, u_common_ppm=0.03)
    assert found is not None and "hook-up" in found.text


def test_half_a_lot_at_another_position_is_no_heap_of_outliers() -> None:
    """Seven at A, six at B that scatter by nothing: what a bench showed."""
    given = [("AB"[k % 2], (6.44, -2.18)[k % 2] + k / 1e4) for k in range(13)]
    report = lot_of(given, 0.058)
    assert report.figures.odd == () and report.figures.load is None
    said = dict(lot_findings(report))
    assert "7 devices at A are on average 8.62 ppm above 6 at B" in said["positions"]
    assert "which the positions explain" in said["groups"]
    stray = lot_of([*given, ("A", 400.0)], 0.058)
    assert [stray.results[i].offset_ppm for i in stray.figures.odd] == [400.0]


def lot_of(offsets: list[tuple[str, float]], u_common_ppm: float = 0.0) -> LotReport:
    part = Part(
        id="p",
        title="a part",
        kind=Kind.QUARTZ,
        nominal_hz=16e6,
        limits=Limits(tolerance_ppm=30.0),
    )
    runs = [
        LotRun(
            run=n,
            device=f"D{n}",
            position=place,
            started_utc_ns=n,
            ended_how="verdict clear",
            word=Decision.PASS,
            offset_ppm=ppm,
            u_ppm=0.05,
            limit_ppm=30.0,
        )
        for n, (place, ppm) in enumerate(offsets, start=1)
    ]
    plan = plan_document(custom_plan(500, len(runs), 0))
    return lot_report(
        Lot(lot="L", part_id="p", supplier="", size=500, plan=plan),
        part,
        runs,
        u_common_ppm,
    )


def test_two_groups_that_are_two_positions_are_not_two_lots() -> None:
    rng = seeded_generator(5)
    given = [("A", float(x)) for x in rng.normal(-8, 1, 15)]
    given += [("B", float(x)) for x in rng.normal(9, 1, 15)]
    said = dict(lot_findings(lot_of(given)))
    assert "which the positions explain" in said["groups"]
    assert "15 devices at B are on average" in said["positions"]
    mixed = [(place, ppm) for (_, ppm), place in zip(given, "AB" * 15, strict=True)]
    said = dict(lot_findings(lot_of(mixed)))
    assert "two lots mixed" in said["groups"] and "positions" not in said


def test_the_mean_names_what_all_share() -> None:
    given = [("A", 6.4 + k / 1000) for k in range(6)]
    report = lot_of(given, 0.0577)
    said = dict(lot_facts(report))
    assert "the time base's +-0.058 ppm, which all share, is in it" in said["mean"]
    low, high = map(float, re.findall(r"\+([\d.]+)", said["mean"])[1:3])
    assert high - low == pytest.approx(2 * 0.0577, abs=0.001)
    assert said["Cp, Cpk"].startswith("not stated from 6 devices")
    document = lot_document(report)
    assert document["u_common_ppm"] == 0.0577
    assert document["figures"]["cpk"] is None
    assert document["figures"]["positions_apart"] is None
