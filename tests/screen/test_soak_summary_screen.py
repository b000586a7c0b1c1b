"""The summary of a soak on the screen; alarms ring; look-only keys change nothing."""

import re
from pathlib import Path

from screen.looking import text_of, until
from screen.scenes import Scene, Stage

from benchlog.model import Purpose
from benchlog.screen.app import BenchApp
from benchlog.screen.screen_host import ScreenOptions
from benchlog.store.reader import Reader

SCREEN = Path(__file__).parents[2] / "benchlog" / "screen"

SOAK = Scene(
    purpose=Purpose.SOAK,
    until_clear=False,
    max_readings=None,
    max_s=None,
    readings=200,
    gaps_after=(100,),
    events=((101.0, "lost", "the cable was pulled"), (121.0, "back", "it is back")),
)


def opened(stage: Stage, scene: Scene = SOAK, **opening) -> tuple[BenchApp, int]:
    run_id = stage.begin(scene)
    stage.readings(run_id, scene.values(scene.readings))
    for at_s, kind, text in scene.events:
        stage.event(run_id, at_s, kind, text)
    return BenchApp(
        ScreenOptions(database=stage.database, run=run_id, **opening), stage.clock
    ), run_id


async def test_the_summary_tells_gaps_with_their_causes(stage: Stage):
    app, _ = opened(stage)
    async with app.run_test(size=(110, 40)) as pilot:
        await until(pilot, "200 readings")
        await pilot.press("y")
        shown = await until(pilot, "gaps (UTC)", 20)
        assert "verdict      ✓ pass: " in shown
        assert "1 gap" in shown
        assert "lost: the cable was pulled" in shown
        assert "drift" in shown
        await pilot.press("escape")
        await until(pilot, "ppm offset")


async def test_a_measurement_has_no_such_key(stage: Stage):
    app, _ = opened(stage, Scene(readings=20))
    async with app.run_test(size=(110, 40)) as pilot:
        await until(pilot, "20 readings")
        assert "summary y" not in text_of(pilot.app)


async def test_an_alarm_rings_once(stage: Stage, monkeypatch):
    rung = []
    monkeypatch.setattr(BenchApp, "bell", lambda _: rung.append(1))
    app, run_id = opened(stage)
    async with app.run_test(size=(110, 40)) as pilot:
        await until(pilot, "200 readings")
        assert rung == []
        stage.event(run_id, 230.0, "alarm", "Q-0417: offset 21 ppm, above 20 ppm")
        stage.readings(run_id, SOAK.values(201)[200:])
        await until(pilot, "alarm: Q-0417: offset 21 ppm")
        await pilot.pause(1.5)
        assert rung == [1]


async def test_who_may_only_look_is_offered_no_deed(stage: Stage):
    app, _ = opened(stage, onlooker=True, look_only=True)
    async with app.run_test(size=(110, 40)) as pilot:
        await until(pilot, "200 readings")
        shown = text_of(pilot.app)
        for key in (
            "stop s",
            "pause p",
            "note n",
            "mark m",
            "again/next a",
            "keep going k",
        ):
            assert key not in shown
        await pilot.press("s")
        await pilot.pause(0.3)
        assert "Stop run" not in text_of(pilot.app)


async def test_who_may_only_look_is_refused_even_without_a_key(stage: Stage):
    """Should a way to a keeper be forgotten when a key is added, this holds."""
    app, run_id = opened(stage, onlooker=True, look_only=True)
    async with app.run_test(size=(110, 40)) as pilot:
        await until(pilot, "200 readings")
        with Reader.open(stage.database) as reader:
            answer = await app.ask(reader.run(run_id), "stop")
        assert not answer.ok and answer.error == "this screen may only look on"


def test_screens_ask_keepers_through_their_application_alone():
    """Only there is it known whether one may only look on."""
    asked = re.compile(r"(?:control|asking|control_client)\.ask\(|\bWriter\b")
    found = [
        path.name
        for path in SCREEN.glob("*.py")
        if asked.search(path.read_text("utf-8"))
    ]
    assert found == ["app.py"]
