"""What the screen says of the time base that figures rest on."""

from dataclasses import replace

import pytest
from screen.looking import until
from screen.scenes import QUARTZ, STATED, Scene, Stage

from benchlog.evaluation.brief_wording import timebase_text
from benchlog.model import InstrumentSpec, Limits, ReferenceCheck
from benchlog.screen.app import BenchApp, ScreenOptions
from benchlog.verdict.timebase.known_timebase import UNCORRECTED, timebase_for

COUNTER = InstrumentSpec(name="counter", driver="scpi-counter", timebase_ppm=0.05)
DAY_NS = 86_400 * 10**9


async def shown(stage: Stage, run_id: int, size=(80, 24)) -> str:
    app = BenchApp(ScreenOptions(database=stage.database, run=run_id), stage.clock)
    async with app.run_test(size=size) as pilot:
        return await until(pilot, "time base")


async def test_too_coarse_for_the_limit_comes_first(stage: Stage):
    strict = replace(QUARTZ, limits=Limits(tolerance_ppm=0.1))
    scene = Scene(part=strict, offset_ppm=0.01, timebase=timebase_for(COUNTER, None, 0))
    said = await shown(stage, stage.play(scene))
    assert "TOO COARSE (4:1): stated ±0.05 ppm in the bench file, never checked" in said
    assert "TOO COARSE" not in await shown(stage, stage.play(Scene(timebase=STATED)))


def test_a_stale_check_is_said_first():
    check = ReferenceCheck(
        instrument=None,
        offset_ppm=0.5,
        u_ppm=0.01,
        method="by pulses",
        at_utc_ns=0,
        valid_until_utc_ns=DAY_NS,
    )  # type: ignore[arg-type]
    stale = timebase_for(COUNTER, check, 2 * DAY_NS)
    assert timebase_text(stale).startswith("CHECK IT AGAIN: checked: +0.500 ±")
    assert timebase_text(stale, "1970-01-02").endswith("expired 1970-01-02")
    valid = timebase_for(COUNTER, check, DAY_NS // 2)
    assert timebase_text(valid) == "checked: +0.500 ± 0.020 ppm"
    said = timebase_text(valid, coarse=True)
    assert said.startswith("TOO COARSE (4:1): checked")


@pytest.mark.parametrize(
    "size", [(80, 24), pytest.param((120, 40), marks=pytest.mark.campaign)]
)
async def test_a_run_that_checks_a_time_base_judges_no_device(stage: Stage, size):
    one_hertz = replace(
        QUARTZ,
        id="reference-1hz",
        nominal_hz=1.0,
        limits=Limits(tolerance_ppm=float("inf")),
    )
    scene = Scene(
        part=one_hertz, offset_ppm=-0.5, purpose="refcheck", timebase=UNCORRECTED
    )
    plain = scene.plan
    scene.plan = lambda: replace(plain(), checks="counter")  # type: ignore[method-assign]
    said = await shown(stage, stage.play(scene, end=False), size)
    assert "TIME BASE CHECK" in said and "no device is judged" in said
    assert "UNDECIDED" not in said and "inf" not in said
