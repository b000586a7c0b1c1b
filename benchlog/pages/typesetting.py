"""How a page writes what the program tells in plain ASCII: signs, powers, times.

One pass over a finished page, so that no two blocks differ. What people and instruments
wrote (`content.Outside`) stays as it is.
"""

import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Final

from benchlog.pages.content import (
    Block,
    Chart,
    Facts,
    Notice,
    Outside,
    Page,
    Prose,
    Ruling,
    Section,
    Table,
)
from benchlog.units import in_powers

_SQUARE_CUBE: Final = {"2": "²", "3": "³"}
_Rule = tuple[re.Pattern[str], str | Callable[[re.Match[str]], str]]
_RULES: Final[tuple[_Rule, ...]] = (
    (re.compile(r"(\d{4}-\d\d-\d\d)T(\d\d:\d\d:\d\d)(?:\.\d+)?Z"), r"\1 \2 UTC"),
    (re.compile(r"[,:;]? from memory\b(; not compared with any print)?"), ""),
    (re.compile(r"`([^`]*)`"), r"\1"),
    (re.compile(r"\+-(?=[\s\d]|$)"), "±"),
    (re.compile(r"<="), "≤"),
    (re.compile(r">="), "≥"),
    (re.compile(r"(?<=\d )us\b"), "µs"),
    # 25 C, a range to 70 C, a column `Ambient, C`
    (re.compile(r"(?<=\d )C(?![\w+])|(?<=[a-z], )C(?=[,)]|$)"), "°C"),
    (re.compile(r"(?<=\w/)C\b"), "°C"),
    (re.compile(r"(?<=°C)\^([23])"), lambda found: _SQUARE_CUBE[found[1]]),
    (re.compile(r"(?<=\d)%"), " %"),
)


def in_print(text: str) -> str:
    """Return a text of ours as a page writes it; what came from outside unchanged."""
    if isinstance(text, Outside):
        return text
    for pattern, written in _RULES:
        text = pattern.sub(written, text)
    return in_powers(text)


def typeset(page: Page) -> Page:
    """Return a page with all its texts written in one style."""
    return replace(page, sections=tuple(map(_section, page.sections)))


def _section(section: Section) -> Section:
    return replace(section, blocks=tuple(map(_block, section.blocks)))


def _block(block: Block) -> Block:
    found: Block = block
    match block:
        case Facts():
            found = Facts(tuple((in_print(a), in_print(b)) for a, b in block.rows))
        case Table():
            found = _table(block)
        case Prose():
            found = Prose(_each(block.paragraphs))
        case Notice():
            found = Notice(in_print(block.text))
        case Ruling():
            headline = in_print(block.headline)
            found = Ruling(block.word, headline, _each(block.reasons))
        case Chart():
            found = replace(
                block,
                caption=in_print(block.caption),
                alternative=in_print(block.alternative),
            )
    return found


def _table(block: Table) -> Table:
    return replace(
        block,
        caption=in_print(block.caption),
        headers=_each(block.headers),
        rows=tuple(map(_each, block.rows)),
        note=in_print(block.note),
    )


def _each(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(map(in_print, texts))
