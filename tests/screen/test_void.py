"""A run that counts for nothing is never shown as if it did, on any screen."""

import pytest
from screen.looking import text_of, until, until_gone
from screen.scenes import Scene, Stage

from benchlog.model import (
    Identity,
    Purpose,
    ReferenceCheck,
    Timebase,
)
from benchlog.screen.app import BenchApp
from benchlog.screen.bell import Bell
from benchlog.screen.follow import Follower
from benchlog.screen.run_list import columns_for, found_by, whole_words
from benchlog.screen.screen_host import ScreenOptions
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment

WHY = "the probe had come off"


def void(stage: Stage, run: int) -> None:
    stage.writer.amend(run, Amendment(kind="void", reason=WHY))


def restore(stage: Stage, run: int) -> None:
    stage.writer.amend(run, Amendment(kind="restore", reason="it was run 21"))


@pytest.mark.parametrize("width", [60, 80, 120])
def test_a_row_of_the_list_says_void_in_place_of_the_verdict(stage: Stage, width: int):
    run_id = stage.play(Scene(readings=20))
    void(stage, run_id)
    with Reader.open(stage.database) as reader:
        run = reader.run(run_id)
    assert run.verdict == "pass"
    said = [column.said(run) for column in columns_for(width, [run])]
    assert "does not count" in said and not any("pass" in text for text in said)
    whole = whole_words(run)
    assert WHY in whole and "pass" not in whole
    assert "void" in found_by(run) and "pass" not in found_by(run).split()


def test_a_void_run_that_goes_on_is_void_in_the_list(stage: Stage):
    run_id = stage.play(Scene(readings=20), end=False)
    void(stage, run_id)
    with Reader.open(stage.database) as reader:
        run = reader.run(run_id)
    assert run.open
    assert "does not count" in [column.said(run) for column in columns_for(80, [run])]


# after the end: `test_a_corrected_id_is_noticed_after_the_end` looks at the same row
@pytest.mark.parametrize(
    ("end", "size"),
    [pytest.param(True, (80, 24), marks=pytest.mark.campaign), (False, (130, 45))],
)
async def test_the_live_screen_notices_and_takes_the_verdict_back(
    stage: Stage, end: bool, size: tuple[int, int]
):
    run_id = stage.play(Scene(readings=20), end=end)
    app = BenchApp(ScreenOptions(database=stage.database, run=run_id), stage.clock)
    async with app.run_test(size=size) as pilot:
        await until(pilot, "✓ PASS")
        void(stage, run_id)
        shown = await until(pilot, "DOES NOT COUNT", 20)
        assert "PASS" not in shown
        assert f"this run does not count: void ({WHY})" in shown
        restore(stage, run_id)
        await until(pilot, "✓ PASS", 20)


async def test_a_corrected_id_is_noticed_after_the_end(stage: Stage):
    run_id = stage.play(Scene(readings=20, device="Q-1"))
    app = BenchApp(ScreenOptions(database=stage.database, run=run_id), stage.clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "device Q-1")
        stage.writer.amend(
            run_id, Amendment(kind="device", reason="typo", old="Q-1", new="Q-7")
        )
        await until(pilot, "device Q-7", 20)


async def test_the_summary_of_a_night_says_void(stage: Stage):
    run_id = stage.play(Scene(readings=200, purpose=Purpose.SOAK))
    void(stage, run_id)
    app = BenchApp(ScreenOptions(database=stage.database, run=run_id), stage.clock)
    async with app.run_test(size=(110, 40)) as pilot:
        await until(pilot, "DOES NOT COUNT")
        await pilot.press("y")
        shown = await until(pilot, "drift", 20)
        assert f"verdict      does not count: void ({WHY})" in shown
        assert "pass" not in shown.lower()
        await pilot.press("escape")
        await until_gone(pilot, "drift ")
        assert "PASS" not in text_of(app)


def test_the_bell_is_silent_for_a_void_run(stage: Stage):
    run_id = stage.play(Scene(readings=20), end=False)
    for count in (False, True):
        (restore if count else void)(stage, run_id)
        follower = Follower(stage.database, run_id, stage.clock)
        follower.read_new()
        a = follower.assess()
        assert Bell().rings(follower.standing(), a) is count
        follower.close()


def test_a_run_whose_check_is_voided_says_so(stage: Stage):
    who = Identity("made up", "SIMULATED", "C1", "1", simulated=True)
    base = Timebase(
        status="checked",
        offset_ppm=0.3,
        u_ppm=0.01,
        valid_until_utc_ns=2 * 10**18,
        text="checked 0.0 days before",
    )
    check = stage.play(Scene(device="10 MHz"))
    stage.writer.add_reference_check(
        ReferenceCheck(
            instrument=who,
            offset_ppm=0.3,
            u_ppm=0.01,
            method="pulses",
            at_utc_ns=1,
            valid_until_utc_ns=2 * 10**18,
            run_id=check,
        )
    )
    run_id = stage.play(Scene(readings=20, timebase=base))
    follower = Follower(stage.database, run_id, stage.clock)
    follower.read_new()
    before = follower.assess()
    void(stage, check)
    follower.look_at_row()
    follower.read_new()
    after = follower.assess()
    follower.close()
    assert before is not None and after is not None
    said = f"corrected by a check that has since been voided ({WHY})"
    assert not any("voided" in why for why in before.reasons)
    assert any(why.startswith(said) for why in after.reasons)
    assert after.offset_ppm == before.offset_ppm
