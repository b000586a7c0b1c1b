"""Work beside a screen: what is overtaken before it began leaves nothing behind."""

import gc
import warnings

from textual.app import App

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
