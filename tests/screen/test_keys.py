"""The keys of a live run do what they say, over a real control socket."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest
from screen.keeper import StubDesk
from screen.looking import settled, text_of, until, until_gone
from screen.scenes import Scene, Stage
from textual.pilot import Pilot
from textual.widgets import Input

from benchlog.control import Answer, Request
from benchlog.model import Purpose
from benchlog.screen.app import BenchApp
from benchlog.screen.screen_host import ScreenOptions, ScreenOutcome
from benchlog.screen.widgets.key_bar import KeyBar

LIVE = Scene(control="keeper.sock", device="Q-1")


class Bench:
    """A run that is being kept, the screen on it, and who plays the keeper."""

    pilot: Pilot
    pressed: tuple[int, int]

    def __init__(self, stage: Stage, app: BenchApp, run: int) -> None:
        self.stage, self.app, self.run = stage, app, run
        self.desk = StubDesk(
            stage.database.parent / "keeper.sock",
            {"note": self.keep, "mark": self.keep, "stop": self.stop},
        )

    def keep(self, request: Request) -> Answer:
        self.stage.event(self.run, 30.0, request.do, request.text)
        return Answer(ok=True)

    def stop(self, request: Request) -> Answer:
        self.stage.end(self.run, "stopped")
        return Answer(ok=True)


@asynccontextmanager
async def bench(stage: Stage, scene: Scene = LIVE, **opening) -> AsyncIterator[Bench]:
    run_id = stage.begin(scene)
    stage.readings(run_id, scene.values(20))
    app = BenchApp(
        ScreenOptions(database=stage.database, run=run_id, **opening), stage.clock
    )
    made = Bench(stage, app, run_id)
    try:
        async with app.run_test(size=(100, 30)) as made.pilot:
            await until(made.pilot, "measuring · 20 readings")
            yield made
    finally:
        made.desk.close()


async def test_footer_names_every_key_of_a_live_run(stage: Stage):
    async with bench(stage) as b:
        shown = "\n".join((await settled(b.pilot)).splitlines()[-2:])
    for key in (
        "stop s",
        "pause p",
        "note n",
        "mark m",
        "again/next a",
        "keep going k",
        "limits l",
        "last hour w",
        "bell: off b",
        "history h",
        "help ?",
        "quit q",
    ):
        assert key in shown, shown


async def test_note_is_sent_as_it_was_typed_and_then_shown(stage: Stage):
    async with bench(stage) as b:
        await b.pilot.press("n")
        await until(b.pilot, "Note for this run")
        b.app.screen.query_one(Input).value = "[b]fan[/b] ein, 25 °C ✓"
        await b.pilot.press("enter")
        await until(b.pilot, "the note is kept")
        assert b.desk.asked[-1].text or b.desk.verbs == ["note"]
        sent = next(request for request in b.desk.asked if request.do == "note")
        assert (sent.run, sent.text) == (b.run, "[b]fan[/b] ein, 25 °C ✓")
        # private: the remark of before, so that a new one is told from it
        b.app.screen._said = ""
        await until(b.pilot, "note: [b]fan[/b] ein, 25 °C ✓")


@pytest.mark.campaign  # every suite: before the note that is typed, below
async def test_empty_note_is_not_sent_and_escape_takes_it_back(stage: Stage):
    async with bench(stage) as b:
        await b.pilot.press("n")
        await until(b.pilot, "Note for this run")
        await b.pilot.press("enter")
        assert "Note for this run" in text_of(b.app)
        await b.pilot.press("escape")
        await settled(b.pilot)
        assert b.desk.verbs == []


async def test_mark_without_a_word_stands_under_the_chart(stage: Stage):
    async with bench(stage) as b:
        b.pressed = (stage.clock.utc_ns(), stage.clock.mono_ns())
        await b.pilot.press("m")
        await until(b.pilot, "Mark this moment")
        stage.clock.sleep(7.5)  # so long the person took over it
        await b.pilot.press("enter")
        await until(b.pilot, "the moment is marked")
        sent = next(request for request in b.desk.asked if request.do == "mark")
        assert sent.text == ""
        assert (sent.at_utc_ns, sent.at_mono_ns) == b.pressed
        stage.readings(b.run, LIVE.values(40)[20:])
        shown = await until(b.pilot, "40 readings")
        shown = await until(b.pilot, "m━")
        assert "└" in next(line for line in shown.splitlines() if "m━" in line)


@pytest.mark.campaign  # every suite: where it is asked first, below
async def test_the_stop_question_counts_on(stage: Stage):
    async with bench(stage) as b:
        await b.pilot.press("s")
        await until(b.pilot, "20 readings stay in the database")
        stage.readings(b.run, LIVE.values(47)[20:])
        await until(b.pilot, "47 readings stay in the database")
        await b.pilot.press("escape")
        await settled(b.pilot)
        assert b.desk.verbs == []


async def test_pause_becomes_go_on(stage: Stage):
    async with bench(stage) as b:
        await b.pilot.press("p")
        await until(b.pilot, "paused · 20 readings")
        await until(b.pilot, "go on p")
        await b.pilot.press("p")
        await until(b.pilot, "pause p")
        assert b.desk.verbs == ["pause", "go-on"]


async def test_stop_asks_first_and_then_the_run_has_ended(stage: Stage):
    async with bench(stage) as b:
        await b.pilot.press("s")
        await until(b.pilot, f"Stop run {b.run}?")
        await until(b.pilot, "20 readings stay in the database")
        stage.readings(b.run, LIVE.values(47)[20:])
        await until(b.pilot, "47 readings stay in the database")
        await b.pilot.press("escape")
        await settled(b.pilot)
        assert b.desk.verbs == []
        await b.pilot.press("s", "s")
        await until(b.pilot, "ended: stopped")
        await until_gone(b.pilot, "pause p")
        assert b.desk.verbs == ["stop"]


async def test_again_goes_on_with_the_run_that_follows(stage: Stage):
    async with bench(stage) as b:

        def begin_another(request: Request) -> Answer:
            stage.end(b.run, "measured again")
            return Answer(ok=True, data={"run": stage.begin(LIVE)})

        # private: a verb of a keeper that this test plays
        b.desk._on["again"] = begin_another
        await b.pilot.press("a")
        await until(b.pilot, f"End run {b.run} and begin another?")
        assert b.desk.verbs == [], "nothing ends before the answer"
        assert b.app.screen.query_one(Input).value == "Q-1", "the id is offered"
        await b.pilot.press("escape")
        await until_gone(b.pilot, f"End run {b.run} and begin another?")
        assert b.desk.verbs == []
        await b.pilot.press("a")
        await until(b.pilot, f"End run {b.run} and begin another?")
        await b.pilot.press("enter")
        await until(b.pilot, f"run {b.run + 1}, measure")
        sent = next(request for request in b.desk.asked if request.do == "again")
        assert (sent.run, sent.text) == (b.run, "")
        assert b.app.own == b.run + 1
        await b.pilot.press("q")
        await until(b.pilot, f"Run {b.run + 1} is still going")
        await b.pilot.press("s")
        await settled(b.pilot)


@pytest.mark.campaign  # of a soak; every suite: within the test above
async def test_again_asks_and_esc_ends_nothing(stage: Stage):
    async with bench(stage, replace(LIVE, purpose=Purpose.SOAK)) as b:
        await b.pilot.press("a")
        await until(b.pilot, "20 readings stay in the database")
        await b.pilot.press("escape")
        await settled(b.pilot)
        assert b.desk.verbs == []


async def test_again_on_another_device_keeps_the_run_as_it_is(stage: Stage):
    async with bench(stage) as b:

        def begin_another(request: Request) -> Answer:
            stage.end(b.run, "stopped")
            another = replace(LIVE, device=request.text)
            return Answer(ok=True, data={"run": stage.begin(another)})

        # private: a verb of a keeper that this test plays
        b.desk._on["again"] = begin_another
        await b.pilot.press("a")
        await until(b.pilot, "On which device?")
        await b.pilot.press(*"Q-2", "enter")  # the first key replaces what is offered
        await until(b.pilot, "device Q-2")
        assert b.app.outcome_now().run_ids == (b.run, b.run + 1)


async def test_a_typed_note_is_dropped_only_by_a_second_esc(stage: Stage):
    async with bench(stage) as b:
        await b.pilot.press("n")
        await until(b.pilot, "Note for this run")
        await b.pilot.press("enter")
        assert "Note for this run" in text_of(b.app), "an empty one is not sent"
        await b.pilot.press("escape")
        await until_gone(b.pilot, "Note for this run")
        assert b.desk.verbs == []
        await b.pilot.press("n", *"fan on", "escape")
        await until(b.pilot, "Not kept yet")
        await b.pilot.press("enter")
        await until(b.pilot, "the note is kept")
        sent = next(request for request in b.desk.asked if request.do == "note")
        assert sent.text == "fan on"
        await b.pilot.press("n", *"fan off", "escape", "escape")
        await until_gone(b.pilot, "Note for this run")
        assert b.desk.verbs == ["note"]


async def test_a_note_the_keeper_refuses_is_shown_again(stage: Stage):
    async with bench(stage) as b:
        # private: a verb of a keeper that this test plays
        b.desk._on["note"] = lambda request: Answer(ok=False, error="run 1 has ended")
        await b.pilot.press("n", *"fan on", "enter")
        await until(b.pilot, "It could not be kept: run 1 has ended")
        assert b.app.screen.query_one(Input).value == "fan on"


async def test_keep_going_is_offered_once(stage: Stage):
    async with bench(stage) as b:
        await b.pilot.press("k")
        await until(b.pilot, "continues when this terminal is closed")
        await until_gone(b.pilot, "keep going k")
        assert b.desk.verbs == ["keep-going"]


async def test_bell_rings_once_when_the_verdict_is_clear(stage: Stage, monkeypatch):
    rung = []
    monkeypatch.setattr(BenchApp, "bell", lambda self: rung.append(1))
    scene = Scene(control="keeper.sock", offset_ppm=29.99, scatter_ppm=0.2)
    async with bench(stage, scene) as b:
        await b.pilot.press("b")
        await until(b.pilot, "bell: on b")
        assert rung == []
        far = Scene(offset_ppm=-500.0, scatter_ppm=0.2)
        stage.readings(b.run, far.values(60)[20:])
        await until(b.pilot, "✗ FAIL")
        await settled(b.pilot)
        assert rung == [1]


async def test_scale_and_window_of_the_chart(stage: Stage):
    async with bench(stage) as b:
        assert "scaled to the data" in text_of(b.app)
        await until(b.pilot, "limits l")  # the bar tells what the key does now
        await b.pilot.press("l")
        await until(b.pilot, "limit +30")
        await until(b.pilot, "fit data l")
        await b.pilot.press("l")
        await until(b.pilot, "scaled to the data")
        for window in ("last hour", "last 10 min", "last minute", "whole run"):
            await until(b.pilot, f"{window} w")
            await b.pilot.press("w")
            await until(b.pilot, f"ppm · {window}")


async def test_click_on_a_key_of_the_footer_presses_it(stage: Stage):
    async with bench(stage) as b:
        row = text_of(b.app).splitlines()[-2]
        at = (row.index("last hour w") + 2 - 1, 0)
        await b.pilot.click(KeyBar, offset=(at[0] + 1, 0))
        await until(b.pilot, "last hour")


async def test_refusal_of_the_keeper_is_shown_in_its_words(stage: Stage):
    async with bench(stage) as b:
        # private: a verb of a keeper that this test plays
        b.desk._on["pause"] = lambda _: Answer(
            ok=False, error="run 1 is [not] open here"
        )
        await b.pilot.press("p")
        await until(b.pilot, "not done: run 1 is [not] open here")


async def test_keeper_gone_is_said_and_nothing_crashes(stage: Stage):
    async with bench(stage) as b:
        b.desk.close()
        await until(b.pilot, "broken off: its keeper is gone")
        shown = await until_gone(b.pilot, "pause p")
        assert "history h" in shown
        await b.pilot.press("q")
        await settled(b.pilot)
    assert b.app.return_value == ScreenOutcome(b.run)


async def test_request_to_a_keeper_that_just_went_is_answered_in_words(stage: Stage):
    async with bench(stage) as b:
        b.desk.close()
        b.app.screen.action_ask("keep-going")  # a key pressed before it was noticed
        await until(b.pilot, "not done: no keeper listens at")


# --- leaving --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "verbs", "stopped", "left"),
    [
        # `test_ctrl_c_asks_as_q_does_and_pressed_again_stops` leaves so, too
        pytest.param("s", ["stop"], True, False, marks=pytest.mark.campaign),
        ("k", ["keep-going"], False, True),
    ],
)
async def test_leaving_a_live_run_asks_what_becomes_of_it(
    stage: Stage, key, verbs, stopped, left
):
    async with bench(stage) as b:
        await b.pilot.press("q")
        await until(b.pilot, f"Run {b.run} is still going")
        await b.pilot.press("escape")
        await settled(b.pilot)
        assert b.app.return_value is None
        await b.pilot.press("q", key)
        for _ in range(60):
            if b.app.return_value is not None:
                break
            await b.pilot.pause(0.05)
        assert b.desk.verbs == verbs
    assert b.app.return_value == ScreenOutcome(b.run, stopped, left)


async def test_onlooker_leaves_without_a_question_and_changes_nothing(stage: Stage):
    async with bench(stage, onlooker=True) as b:
        await b.pilot.press("q")
        await b.pilot.pause(0.1)
        assert b.desk.verbs == []
    assert b.app.return_value == ScreenOutcome(b.run)


async def test_ctrl_c_asks_as_q_does_and_pressed_again_stops(stage: Stage):
    async with bench(stage) as b:
        await b.pilot.press("ctrl+c")
        await until(b.pilot, f"Run {b.run} is still going")
        await b.pilot.press("escape")
        await settled(b.pilot)
        assert (b.desk.verbs, b.app.return_value) == ([], None)
        await b.pilot.press("ctrl+c", "ctrl+c")
        for _ in range(60):
            if b.app.return_value is not None:
                break
            await b.pilot.pause(0.05)
        assert b.desk.verbs == ["stop"]
    assert b.app.return_value == ScreenOutcome(b.run, stopped=True)


async def test_ctrl_c_takes_a_question_back_and_leaves_the_list(stage: Stage):
    async with bench(stage) as b:
        for key, asked in (
            ("n", "Note for this run"),
            ("m", "Mark this moment"),
            ("s", "Stop run"),
        ):
            await b.pilot.press(key)
            await until(b.pilot, asked)
            await b.pilot.press("ctrl+c")
            await until_gone(b.pilot, asked)
        await b.pilot.press("h")
        await until(b.pilot, "newest first")
        await b.pilot.press("ctrl+c")
        await until(b.pilot, f"Run {b.run} is still going")
        assert b.desk.verbs == []
