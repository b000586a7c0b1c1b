"""A page's Markdown as plain text for a terminal.

Code blocks are indented, comments left out, headings and bold words styled. Lists and
code spans read well as they are, and the pages are wrapped for 80 columns.
"""

import re
from collections.abc import Callable, Iterator
from typing import Final

_COMMENT: Final = re.compile(r"<!--.*?-->\n?", re.DOTALL)
_BOLD: Final = re.compile(r"\*\*(.+?)\*\*")
_HEADING: Final = re.compile(r"(#+) (.*)")
_INDENT: Final = "  "

Emphasis = Callable[[str], str]
"""How a heading or a bold word is made to stand out."""


def plain_text(markdown: str, emphasis: Emphasis) -> str:
    """Return the page for a terminal; `emphasis` styles headings and bold words."""
    return "\n".join(_lines(_COMMENT.sub("", markdown), emphasis)) + "\n"


def _lines(markdown: str, emphasis: Emphasis) -> Iterator[str]:
    in_code = False
    for line in markdown.strip().splitlines():
        if line.startswith("```"):
            in_code = not in_code
        elif in_code:
            yield f"{_INDENT}{line}".rstrip()
        elif found := _HEADING.fullmatch(line):
            yield emphasis(found[2])
            yield ("=" if found[1] == "#" else "-") * len(found[2])
        else:
            yield _BOLD.sub(lambda bold: emphasis(bold[1]), line)
