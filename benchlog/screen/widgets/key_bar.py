"""The keys that do something now, always in view: what one does, then the key."""

from dataclasses import dataclass
from typing import Any

from textual import events
from textual.content import Content
from textual.screen import Screen
from textual.widget import Widget

_BETWEEN = "  "


@dataclass(frozen=True, slots=True)
class KeyHint:
    """A key as it is pressed, as it is printed, and what it does in a word."""

    press: str
    shown: str
    does: str

    @property
    def cells(self) -> int:
        """How many cells it takes in the bar."""
        return len(self.shown) + 1 + len(self.does)


def keys_of(screen: Screen[Any]) -> list[KeyHint]:
    """Return the keys of a screen that would do something at this moment."""
    found: dict[str, KeyHint] = {}
    for press, active in screen.active_bindings.items():
        binding = active.binding
        if binding.show and active.enabled and binding.action not in found:
            shown = binding.key_display or press
            found[binding.action] = KeyHint(press, shown, binding.description)
    return list(found.values())


def rows_of(keys: list[KeyHint], width: int) -> list[list[KeyHint]]:
    """Break the keys into rows of at most `width` cells; a key is never torn."""
    rows: list[list[KeyHint]] = [[]]
    used = 0
    for key in keys:
        step = key.cells + (len(_BETWEEN) if rows[-1] else 0)
        if rows[-1] and used + step > width:
            rows.append([])
            used, step = 0, key.cells
        rows[-1].append(key)
        used += step
    return rows


class KeyBar(Widget):
    """The keys of the screen it stands on; a click on one presses it."""

    DEFAULT_CSS = """
    KeyBar { dock: bottom; height: 1; width: 1fr; padding: 0 1; }
    """

    def on_mount(self) -> None:
        """Follow what the screen offers."""
        self.screen.bindings_updated_signal.subscribe(self, self.look)

    def on_resize(self) -> None:
        """Use the width there is now."""
        self.look(self.screen)

    def look(self, screen: Screen[Any]) -> None:
        """Take as many rows as the keys need that the screen offers now."""
        self.styles.height = len(rows_of(keys_of(screen), self.content_size.width))
        self.refresh()

    def render(self) -> Content:
        """Return the rows of keys; none while another screen stands over this one."""
        if not self.screen.is_current:
            return Content("")
        lines = [
            Content(_BETWEEN).join(
                Content.assemble(key.does, " ", (key.shown, "$key bold")) for key in row
            )
            for row in rows_of(keys_of(self.screen), self.content_size.width)
        ]
        return Content("\n").join(lines)

    def on_click(self, event: events.Click) -> None:
        """Press the key that was clicked on."""
        at = event.get_content_offset(self)
        rows = rows_of(keys_of(self.screen), self.content_size.width)
        if at is None or at.y >= len(rows):
            return
        left = 0
        for key in rows[at.y]:
            if left <= at.x < left + key.cells:
                self.app.simulate_key(key.press)
                return
            left += key.cells + len(_BETWEEN)
