"""What is answered twice in one turn of the loop: a scanner that ends with CR LF."""

from screen.keeper import StubDesk
from screen.looking import settled, until
from screen.scenes import Scene, Stage
from textual import events
from textual.pilot import Pilot
from textual.screen import Screen

from benchlog.screen.app import BenchApp
from benchlog.screen.live import LiveScreen
from benchlog.screen.questions import AskAgain, AskLeave, AskStop, AskText, Question
from benchlog.screen.screen_host import ScreenOptions


def typed_at_once(pilot: Pilot, *keys: str) -> None:
    """Hand keys to what has the focus, all before any of them is taken."""
    screen = pilot.app.screen
    for key in keys:
        one = key if len(key) == 1 else None
        (screen.focused or screen).post_message(events.Key(key, one))


QUESTIONS = [
    (lambda: AskText("Note?", typed="ID-7"), ("enter", "ctrl+j")),
    (lambda: AskAgain("Which?", "ID-7", lambda: ""), ("enter", "ctrl+j")),
    (lambda: AskText("Note?"), ("escape", "escape")),
    (lambda: AskStop("Stop?", lambda: ""), ("s", "s")),
    (lambda: AskLeave("Leave?"), ("k", "escape")),
]


async def test_a_question_closes_once_and_nothing_beneath_it(stage: Stage):
    run = stage.begin(Scene(control="keeper.sock"))
    stage.readings(run, Scene().values(20))
    app = BenchApp(ScreenOptions(database=stage.database, run=run), stage.clock)
    desk = StubDesk(stage.database.parent / "keeper.sock")
    async with app.run_test(size=(100, 30)) as pilot:
        await until(pilot, "measuring · 20 readings")
        beneath: Screen[object] = app.screen
        assert isinstance(beneath, LiveScreen)
        for made, keys in QUESTIONS:
            answers: list[str | None] = []
            question: Question = made()
            app.push_screen(question, answers.append)
            await settled(pilot)
            assert app.screen is question
            typed_at_once(pilot, *keys)
            question.dismiss("asked for twice")  # and by whatever else there is
            question.dismiss("asked for twice")
            await settled(pilot)
            assert app.screen is beneath
            assert len(answers) == 1
        assert desk.verbs == []
    desk.close()


async def test_a_screen_that_is_left_twice_in_one_turn_is_left_once(stage: Stage):
    run = stage.begin(Scene())
    stage.readings(run, Scene().values(20))
    app = BenchApp(ScreenOptions(database=stage.database, run=run), stage.clock)
    async with app.run_test(size=(100, 30)) as pilot:
        await until(pilot, "measuring · 20 readings")
        await pilot.press("h")
        await settled(pilot)
        history = app.screen
        app.action_help()
        await settled(pilot)
        upper = app.screen
        assert upper is not history
        upper.action_back()  # type: ignore[attr-defined]
        upper.action_back()  # type: ignore[attr-defined]
        await settled(pilot)
        assert app.screen is history
        app.push_screen(AskText("Over it?"))
        await settled(pilot)
        history.action_back()  # type: ignore[attr-defined]
        await settled(pilot)
        assert isinstance(app.screen, AskText)
