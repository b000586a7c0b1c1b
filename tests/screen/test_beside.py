"""Work beside a screen: what is overtaken before it began leaves nothing behind."""

import gc
import warnings

import pytest
from textual.app import App, ComposeResult
from textual.widgets import Static
from textual.worker import WorkerFailed

from benchlog.screen import base
from benchlog.screen.base import run_beside


async def test_work_that_never_began_leaves_no_coroutine() -> None:
    done = []

    async def work() -> None:
        done.append(1)

    app: App[None] = App()
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        async with app.run_test() as pilot:
            for _ in range(3):
                run_beside(app, work, group="one", exclusive=True)
            await pilot.pause()
        gc.collect()
    assert done == [1]
    # a coroutine that nobody awaited is a RuntimeWarning; sockets that other tests of
    # this process left are found here, too
    coroutines = [one for one in told if one.category is RuntimeWarning]
    assert [str(one.message) for one in coroutines] == []


class Emptied(App[None]):
    """A screen whose parts are taken away while work begins beside it."""

    def compose(self) -> ComposeResult:
        yield Static(id="news")

    async def look(self) -> None:
        self.query_one("#gone")


async def test_work_that_begins_as_its_screen_is_left_tells_nothing() -> None:
    """Before, leaving a run while a computer was busy could end in a traceback."""
    app = Emptied()
    async with app.run_test() as pilot:
        run_beside(app, app.look)
        await pilot.pause()
    assert app.return_code in (0, None)


async def test_work_that_finds_no_part_of_a_screen_that_stays_is_a_fault(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(base, "_LEAVING_S", 0.01)
    app = Emptied()
    with pytest.raises(WorkerFailed, match="No nodes match '#gone'"):
        async with app.run_test() as pilot:
            run_beside(app, app.look)
            await pilot.pause(0.2)
