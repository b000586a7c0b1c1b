"""What was done to a device while it was measured is no property of its lot."""

from benchlog.model import Kind, Limits, Lot, LotRun, Part
from benchlog.verdict.lot.lot_decision import UndecidedRule
from benchlog.verdict.lot.lot_report import judged_lot
from benchlog.verdict.lot.lot_runs import results_of

PART = Part(
    id="rc",
    title="RC",
    kind=Kind.RC,
    nominal_hz=1e6,
    limits=Limits(tolerance_ppm=20_000.0),
)
_HOUR_NS = 3_600_000_000_000


def run(number, device, offset_ppm, **more):
    return LotRun(
        run=number,
        device=device,
        position="A",
        started_utc_ns=number * _HOUR_NS,
        ended_how="readings reached",
        word="pass",
        offset_ppm=offset_ppm,
        u_ppm=1.0,
        limit_ppm=20_000.0,
        **more,
    )


def report(runs):
    return judged_lot(
        Lot(lot="L", part_id="rc"), PART, runs, plan=None, rule=UndecidedRule.OPEN
    )


def clean():
    offsets = (100.0, 140.0, 60.0, 120.0, 90.0)
    return [run(n, f"D{n}", ppm) for n, ppm in enumerate(offsets, start=1)]


def test_a_warmed_run_stands_for_no_device_that_has_a_clean_one():
    warmed = run(9, "D1", 5_000.0, marked=True)
    before = clean()
    assert results_of([*before, warmed]) == results_of(before)
    found = report([*before, warmed])
    assert found.not_counted == ((warmed, "marked: run 1, without a mark, counts"),)


def test_a_device_with_warmed_runs_only_is_in_no_spread_and_is_told():
    alone = report(clean()).figures.capability
    warmed = run(9, "D9", 5_000.0, marked=True)
    found = report([*clean(), warmed])
    assert found.figures.capability == alone
    ((result, why),) = found.doubtful
    assert result.device == "D9" and "marked while it was measured" in why


def test_a_damaged_device_has_failed_whatever_was_marked():
    runs = [run(1, "D1", 0.0), run(2, "D1", 9.0, marked=True, damaged=True)]
    (result,) = results_of(runs)
    assert (result.run, result.word) == (2, "fail")
