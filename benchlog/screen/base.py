"""What all screens share: room for the content, the keys, and a word when too small."""

import asyncio
from collections.abc import Callable, Coroutine, Iterable
from typing import Any, Final

from textual.app import ComposeResult
from textual.containers import Container
from textual.css.query import NoMatches
from textual.dom import DOMNode
from textual.screen import Screen
from textual.widget import Widget
from textual.worker import WorkType

from benchlog.screen.widgets.key_bar import KeyBar
from benchlog.screen.widgets.text import PlainText

SMALLEST: Final = (60, 16)
WIDE: Final = 112
TALL: Final = 34
VERY_TALL: Final = 44
_LEAVING_S: Final = 2.0  # our rule: a screen is left within that on a busy computer


def run_beside(
    node: DOMNode,
    work: Callable[[], Coroutine[Any, Any, None]],
    *,
    group: str = "default",
    exclusive: bool = False,
) -> None:
    """Run `work` beside the screen; of an exclusive group only the newest goes on.

    The worker calls `work` itself: one that is cancelled before it began then leaves
    no coroutine that nobody awaits. One that finds a part of its screen gone waits
    until it is cancelled, as it is where the screen is being left; else it fails.
    """

    async def beside() -> None:
        try:
            await work()
        except NoMatches:
            await asyncio.sleep(_LEAVING_S)
            raise

    worker: WorkType[None] = beside
    node.run_worker(worker, group=group, exclusive=exclusive)


class TooSmall(PlainText):
    """What is said instead of a broken layout."""

    def on_resize(self) -> None:
        """Say how much room there is and how much it takes."""
        width, height = self.app.size
        self.show(
            f"This window is {width} x {height}.\n"
            f"Make it at least {SMALLEST[0]} x {SMALLEST[1]}.\n"
            "Nothing is lost meanwhile."
        )


class BenchScreen(Screen[None]):
    """A full screen with its keys at the bottom.

    Classes follow its size, for the stylesheets: `-tiny` when it is too small for
    anything, `-wide`, `-tall` and `-very-tall` when there is more room than 80 x 24.
    """

    HORIZONTAL_BREAKPOINTS = [  # noqa: RUF012
        (0, "-tiny-across"),
        (SMALLEST[0], "-narrow"),
        (WIDE, "-wide"),
    ]
    VERTICAL_BREAKPOINTS = [  # noqa: RUF012
        (0, "-tiny-down"),
        (SMALLEST[1], "-low"),
        (21, "-usual"),
        (TALL, "-tall"),
        (VERY_TALL, "-very-tall"),
    ]

    def compose(self) -> ComposeResult:
        """Put the content over the keys."""
        yield TooSmall(id="too-small")
        with Container(id="content"):
            yield from self.content()
        yield KeyBar(id="keys")

    def action_back(self) -> None:
        """Go back to the screen underneath, if there is one."""
        if self.can_go_back and self.is_active:  # not a second time, in one turn
            self.app.pop_screen()

    @property
    def can_go_back(self) -> bool:
        """Whether another screen lies under this one (the first is Textual's own)."""
        stack = self.app.screen_stack
        return self in stack and stack.index(self) > 1

    @property
    def has_widgets(self) -> bool:
        """Whether its parts are there: an answer may come while it is being left."""
        return bool(self.query("#content > *"))

    def on_screen_suspend(self) -> None:
        """Offer no keys while a question stands over this screen."""
        self.query_one(KeyBar).refresh()

    def on_screen_resume(self) -> None:
        """Offer the keys again."""
        self.query_one(KeyBar).look(self)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer a way back only where there is one."""
        del parameters
        return action != "back" or self.can_go_back

    def content(self) -> Iterable[Widget]:
        """Return what the screen shows; for the subclasses."""
        return ()
