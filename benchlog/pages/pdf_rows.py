"""Rows of a table that a sheet can hold: a long text goes on in the row below."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from fpdf import FPDF

_LONG: Final = 250  # characters; our rule: shorter ones fit into the narrowest column
_LINES: Final = 12  # our rule: little is left white at the foot of a sheet
_MOST: Final = 160  # characters; our rule: two lines of a title

Piece = tuple[tuple[str, ...], bool]


def rows_that_fit(
    pdf: "FPDF", rows: Sequence[tuple[str, ...]], widths_mm: Sequence[float]
) -> Iterator[Piece]:
    """Yield each row in pieces of a few lines, and whether a piece is the last of it.

    The present font is what the text is set in. Nothing is left out.
    """
    for cells in rows:
        if all(len(cell) <= _LONG for cell in cells):
            yield cells, True
            continue
        columns = [
            _pieces(pdf, cell, width)
            for cell, width in zip(cells, widths_mm, strict=True)
        ]
        count = max(map(len, columns))
        for at in range(count):
            piece = tuple(one[at] if at < len(one) else "" for one in columns)
            yield piece, at + 1 == count


def _pieces(pdf: "FPDF", text: str, width_mm: float) -> list[str]:
    if len(text) <= _LONG:
        return [text]
    lines: Any = pdf.multi_cell(
        width_mm, text=text, align="LEFT", dry_run=True, output="LINES"
    )
    return ["\n".join(lines[at : at + _LINES]) for at in range(0, len(lines), _LINES)]


def shortened(text: str, most: int = _MOST) -> str:
    """Return a text that a heading can hold; how much it has tells what is left out."""
    if len(text) <= most:
        return text
    return f"{text[:most].rstrip()}… ({len(text):,} characters)"
