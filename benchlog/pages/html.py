"""A page as one HTML file: styles and pictures within, no script, nothing fetched."""

from functools import cache
from importlib.resources import files
from typing import Final

from jinja2 import DictLoader, Environment, StrictUndefined
from markupsafe import Markup

from benchlog.evaluation.verdict_wording import symbol_of
from benchlog.pages.content import (
    Block,
    Chart,
    Page,
    Ruling,
)
from benchlog.pages.svg import page_svgs

_FOLDER: Final = files("benchlog.pages") / "templates"
_TEMPLATES: Final = ("page.html", "block.html")


def html_of(page: Page) -> str:
    """Return the page as HTML; every text in it is escaped by the template engine."""
    environment = _environment()
    style = (_FOLDER / "page.css").read_text("utf-8").strip()
    blocks = _Blocks(environment)
    return environment.get_template("page.html").render(
        page=page,
        style=Markup(style),  # noqa: S704 - our own file
        render=blocks.render,
    )


@cache
def _environment() -> Environment:
    """Return our templates; each is compiled once, however many pages are made."""
    sources = {name: (_FOLDER / name).read_text("utf-8") for name in _TEMPLATES}
    return Environment(
        loader=DictLoader(sources), autoescape=True, undefined=StrictUndefined
    )


class _Blocks:
    """Renders blocks; pictures are numbered, so that their ids differ."""

    def __init__(self, environment: Environment) -> None:
        self._template = environment.get_template("block.html")
        self._charts = 0

    def render(self, block: Block) -> Markup:
        text = self._template.render(
            block=block,
            kind=type(block).__name__,
            symbol=symbol_of(block.word) if isinstance(block, Ruling) else "",
            pictures=self._pictures(block) if isinstance(block, Chart) else (),
        )
        return Markup(text)  # noqa: S704 - escaped by the template

    def _pictures(self, chart: Chart) -> tuple[Markup, ...]:
        self._charts += 1
        key = f"chart{self._charts}"
        svgs = page_svgs(chart.figure, key, chart.caption, chart.alternative)
        return tuple(Markup(svg) for svg in svgs)  # noqa: S704 - by an XML serialiser
