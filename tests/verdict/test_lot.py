"""A lot's decision against its plan, and the help with a wrong load."""

from collections.abc import Iterable

import numpy as np
import pytest
from seeds import seeded_generator

from benchlog.analysis.load_pulling import load_effect_ppm
from benchlog.evaluation.lot_plan import plan_document
from benchlog.model import Decision, Load
from benchlog.units import format_ppm
from benchlog.verdict.lot.lot_decision import (
    DeviceResult,
    LotResult,
    UndecidedRule,
    decide_lot,
    lot_figures,
)
from benchlog.verdict.lot.sampling_plan import custom_plan, plan_for
from benchlog.verdict.lot.sampling_table import Severity

PASS, FAIL, UNDECIDED = Decision.PASS, Decision.FAIL, Decision.UNDECIDED
PLAN = custom_plan(500, 20, 1)
CIRCUIT = Load(load_pf=18.0, shunt_c0_pf=4.0, motional_c1_ff=12.0)


def results(words: Iterable[Decision]) -> list[DeviceResult]:
    return [
        DeviceResult(device=f"KX-{i:04d}", run=i + 1, word=word)
        for i, word in enumerate(words)
    ]


def of_offsets(offsets: Iterable[float]) -> list[DeviceResult]:
    return [
        DeviceResult(
            device=f"KX-{i:04d}",
            run=i + 1,
            word=PASS if abs(ppm) < 30 else FAIL,
            offset_ppm=ppm,
            u_ppm=0.2,
        )
        for i, ppm in enumerate(float(ppm) for ppm in offsets)
    ]


@pytest.mark.parametrize(
    ("words", "decision"),
    [
        ([], LotResult.OPEN),
        ([PASS] * 19, LotResult.OPEN),
        ([PASS] * 20, LotResult.ACCEPTED),
        ([PASS] * 19 + [FAIL], LotResult.ACCEPTED),
        ([PASS] * 18 + [FAIL] * 2, LotResult.REJECTED),
        ([FAIL, FAIL], LotResult.REJECTED),  # certain before the sample is complete
        ([PASS] * 19 + [UNDECIDED], LotResult.ACCEPTED),  # cannot turn it
        ([PASS] * 18 + [FAIL, UNDECIDED], LotResult.OPEN),
        ([PASS] * 18 + [UNDECIDED] * 2, LotResult.OPEN),
        ([FAIL, UNDECIDED], LotResult.OPEN),
        ([PASS] * 20 + [FAIL] * 5, LotResult.ACCEPTED),  # beyond the sample
    ],
)
def test_decision(words: list[Decision], decision: LotResult) -> None:
    found = decide_lot(PLAN, results(words))
    assert found.decision is decision
    assert "(1 allowed)" in found.text
    kept = words[:20]
    counts = (found.passed, found.failed, found.undecided)
    assert counts == tuple(kept.count(word) for word in (PASS, FAIL, UNDECIDED))
    assert found.remaining == 20 - len(kept)


@pytest.mark.parametrize(
    ("words", "decision"),
    [
        ([PASS] * 18 + [UNDECIDED] * 2, LotResult.REJECTED),
        ([FAIL, UNDECIDED], LotResult.REJECTED),
        ([PASS] * 19 + [UNDECIDED], LotResult.ACCEPTED),
    ],
)
def test_undecided_as_defective(words: list[Decision], decision: LotResult) -> None:
    found = decide_lot(PLAN, results(words), UndecidedRule.DEFECTIVE)
    assert found.decision is decision
    assert "counted as defective" in found.text


def test_reasons_are_words_for_a_person() -> None:
    open_ = decide_lot(PLAN, results([PASS] * 18 + [FAIL, UNDECIDED]))
    assert "measure these again" in open_.text
    assert "12 still to be measured" in decide_lot(PLAN, results([PASS] * 8)).text
    more = decide_lot(PLAN, results([PASS] * 23))
    assert "3 measured beyond the sample do not count" in more.text


def test_in_the_gap_of_reduced_inspection() -> None:
    plan = plan_for(1000, 1.0, severity=Severity.REDUCED)  # n = 32, Ac 1, Re 3
    found = decide_lot(plan, results([PASS] * 30 + [FAIL] * 2))
    assert (found.decision, found.normal_again) == (LotResult.ACCEPTED, True)
    clean = decide_lot(plan, results([PASS] * 31 + [FAIL]))
    assert (clean.decision, clean.normal_again) == (LotResult.ACCEPTED, False)
    bad = decide_lot(plan, results([FAIL] * 3))
    assert (bad.decision, bad.normal_again) == (LotResult.REJECTED, False)


def test_a_wrong_load_is_found_again_and_kept_apart_from_the_verdict() -> None:
    """A lot that was made with 19.5 pF in place of 18 pF."""
    off = load_effect_ppm(12.0, 4.0, 18.0, 19.5)
    offsets = off + seeded_generator(1).normal(0, 3, 80)
    found = lot_figures(of_offsets(offsets), 10.0, CIRCUIT).load
    assert found is not None
    assert found.error_pf.low < 1.5 < found.error_pf.high
    assert found.error_pf.value == pytest.approx(1.5, abs=0.15)
    assert found.first_order_pf == pytest.approx(19.4, abs=0.15)
    assert "does not take it into account" in found.text
    plan = custom_plan(500, 80, 1)
    assert decide_lot(plan, of_offsets(offsets * 3)).decision is LotResult.REJECTED


def test_the_load_sentence_names_the_mean_that_is_shown() -> None:
    offsets = list(np.linspace(-14.0, -10.0, 30))
    found = lot_figures(of_offsets(offsets), 30.0, CIRCUIT)
    assert found.capability is not None and found.load is not None
    mean = found.capability.mean_ppm
    shown = f"{format_ppm(mean.value, mean.half)} ppm"
    assert found.load.text.startswith(f"the lot sits {shown} off in common")
    odd = lot_figures(of_offsets([*offsets, 400.0]), 30.0, CIRCUIT).load
    assert odd is not None
    assert odd.text.startswith(f"without its outlier the lot sits {shown} off")


@pytest.mark.parametrize(
    ("mean", "sd", "u_common", "load"),
    [
        (0.0, 5.0, 0.0, CIRCUIT),  # not off
        (3.0, 5.0, 0.0, CIRCUIT),  # off, but not in common
        (0.8, 0.1, 1.2, CIRCUIT),  # the time base may be off by more
        (-15.0, 5.0, 0.0, Load(load_pf=18.0)),  # circuit not known
        (-900.0, 5.0, 0.0, CIRCUIT),  # no load can do that
        (-15.0, 5.0, 0.0, None),
    ],
)
def test_no_help_where_there_is_nothing_to_explain(
    mean: float, sd: float, u_common: float, load: Load | None
) -> None:
    offsets = mean + seeded_generator(2).normal(0, sd, 60)
    assert lot_figures(of_offsets(offsets), 30.0, load, u_common).load is None


def test_outliers_are_marked_by_their_place_and_stay_in_the_counts() -> None:
    offsets = list(np.linspace(-5, 5, 40))
    devices = of_offsets([*offsets, 400.0])
    devices.insert(5, DeviceResult(device="no-signal", run=99, word=UNDECIDED))
    found = lot_figures(devices, 30.0)
    assert found.odd == (41,)
    assert devices[41].offset_ppm == 400.0
    assert found.capability is not None and found.capability.n == 41
    assert found.histogram is not None and sum(found.histogram.counts) == 41
    assert found.fraction is not None
    assert found.fraction.value == pytest.approx(1 / 41)


def test_an_empty_lot_says_nothing() -> None:
    found = lot_figures([], 30.0, CIRCUIT)
    assert (found.capability, found.fraction, found.histogram) == (None, None, None)
    assert (found.odd, found.drift, found.groups, found.load) == ((), None, None, None)


def test_two_deliveries_mixed_are_suspected() -> None:
    rng = seeded_generator(4)
    offsets = [*rng.normal(-12, 2, 40), *rng.normal(8, 2, 40)]
    found = lot_figures(of_offsets(offsets), 30.0).groups
    assert found is not None and (found.low_n, found.high_n) == (40, 40)


def test_plan_as_plain_values() -> None:
    document = plan_document(plan_for(500, 1.0))
    assert (document["sample_size"], document["accept"], document["reject"]) == (
        50,
        1,
        2,
    )
    assert (document["severity"], document["status"]) == ("normal", "verified")
    assert plan_document(PLAN)["severity"] is None
