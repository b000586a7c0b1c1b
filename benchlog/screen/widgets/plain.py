"""Text that is drawn anew only when it differs from what stands there."""

from textual.content import Content
from textual.widget import Widget


class Plain(Widget):
    """Lines of literal text: nothing in it is ever read as markup.

    Its height comes from the stylesheet, so that new text costs a repaint of these
    lines and no new layout of the screen (unless the stylesheet says `auto`).
    """

    DEFAULT_CSS = """
    Plain { height: 1; width: 1fr; text-wrap: nowrap; text-overflow: ellipsis; }
    """

    def __init__(
        self, text: str = "", *, id: str | None = None, classes: str | None = None
    ) -> None:
        super().__init__(id=id, classes=classes)
        self._shown = Content(text)

    @property
    def text(self) -> str:
        """What stands there, without its styles."""
        return self._shown.plain

    def show(self, text: Content | str) -> bool:
        """Put text there; returns whether that changed anything."""
        content = Content(text) if isinstance(text, str) else text
        if content.is_same(self._shown):
            return False
        self._shown = content
        self.refresh(layout=self.styles.auto_dimensions)
        return True

    def render(self) -> Content:
        """Return what stands there."""
        return self._shown
