"""A page as PDF, made without a browser: text that can be searched, pictures as lines.

fpdf2 writes it. Letters come from the DejaVu fonts that matplotlib brings; a character
that they lack is written as its number, `U+6F22`.
"""

import io
import logging
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from benchlog.errors import UsageError
from benchlog.evaluation.verdict_wording import symbol_of
from benchlog.pages.content import (
    Block,
    Chart,
    Facts,
    Notice,
    Page,
    Prose,
    Ruling,
    Section,
    Signatures,
    Table,
)
from benchlog.pages.letters import FACES, font_file, in_known_letters
from benchlog.pages.pdf_rows import rows_that_fit, shortened
from benchlog.pages.svg import paper_svg

if TYPE_CHECKING:
    from fpdf import FPDF

PAPERS: Final = ("A4", "Letter")
_FONT: Final = "DejaVu"
_SIZE: Final = 9.0
_LINE: Final = 4.6
_SMALL: Final = 7.5
_GREY: Final = (90, 98, 106)
_BLACK: Final = (0, 0, 0)
_RULE: Final = (200, 206, 212)
_INKS: Final = {
    "pass": (11, 93, 82),
    "accepted": (11, 93, 82),
    "fail": (161, 35, 15),
    "rejected": (161, 35, 15),
}
_OPEN_INK: Final = (122, 74, 0)
_MARGIN_MM: Final = 15.0
_LONG_WORD_MM: Final = 36.0
_BOLD: Final = 1.15
"""How much wider the letters of a heading are."""
_WHOLE: Final = (True, True)
_PADDING_MM: Final = 1.2
_WIDEST_MM: Final = 75.0
_LOGO_MM: Final = (45.0, 18.0)
_SHORTEST_TABLE_MM: Final = 22.0


def pdf_of(page: Page, paper: str = "A4") -> bytes:
    """Return the page as PDF on `A4` or `Letter` paper."""
    logging.getLogger("fpdf").setLevel(logging.ERROR)  # it speaks of SVG metadata
    return _Writer(page, paper).written()


class _Writer:
    """Puts blocks one below the other, and begins new sheets where needed."""

    def __init__(self, page: Page, paper: str) -> None:
        self._page = page
        self._pdf = _new_pdf(page, paper)

    def written(self) -> bytes:

        page, pdf = self._page, self._pdf
        pdf.add_page()
        self._logo()
        self._text(shortened(page.title), size=16, bold=True, line=8)
        self._text(shortened(page.subtitle), size=10, line=5.5)
        if page.order:
            self._text(f"Order {page.order}", bold=True)
        self._text(f"Made {page.made} with benchlog {page.software}", grey=True)
        for section in page.sections:
            self._heading(section)
            for block in section.blocks:
                self._block(block)
        data = bytes(pdf.output())
        for font in pdf.fonts.values():  # the built-in ones hold no file
            if hasattr(font, "ttfont"):
                font.ttfont.close()
        return data

    def _logo(self) -> None:
        """Draw the logo above the title, at the right."""
        if self._page.logo is None:
            return
        try:
            self._pdf.image(
                io.BytesIO(self._page.logo.data),
                x=self._pdf.l_margin + self._pdf.epw - _LOGO_MM[0],
                w=_LOGO_MM[0],
                h=_LOGO_MM[1],
                keep_aspect_ratio=True,
                alt_text="Logo",
            )
        except Exception as error:  # whatever a stranger's picture does to the library
            raise UsageError(
                "the logo cannot be drawn on a PDF; give it as a PNG picture"
            ) from error

    def _signatures(self, block: Signatures) -> None:
        pdf = self._pdf
        widths = tuple(share * pdf.epw for share in (0.4, 0.2, 0.4))
        self._room(14.0 * len(block.rows))
        for role, name in block.rows:
            pdf.ln(11)
            pdf.set_font(_FONT, "", _SMALL)
            said = (f"{role}: {name}" if name else role, "Date", "Signature")
            top = pdf.get_y()
            for text, width in zip(said, widths, strict=True):
                left = pdf.get_x()
                pdf.line(left, top, left + width - 4, top)
                pdf.cell(width, _LINE, self._within(text, width - 4))
            pdf.ln(_LINE)

    def _heading(self, section: Section) -> None:
        title, is_main = section.title, section.level == 2
        follows = next(iter(section.blocks), None)
        chart_mm = self._size_of(follows)[1] if isinstance(follows, Chart) else 0.0
        self._room(25 + chart_mm)  # no heading alone at the foot of a sheet
        self._pdf.ln(5 if is_main else 3)
        title = shortened(title)
        self._pdf.start_section(in_known_letters(title), level=0 if is_main else 1)
        self._text(title, size=12 if is_main else 10, bold=True, line=7)

    def _block(self, block: Block) -> None:
        match block:
            case Facts():
                self._grid(("", ""), block.rows, "", (0.27, 0.73))
            case Table():
                self._table(block)
            case Prose():
                for text in block.paragraphs:
                    self._text(text)
                    self._pdf.ln(1.2)
            case Notice():
                self._text(f"Note: {block.text}", bold=True)
            case Ruling():
                self._ruling(block)
            case Chart():
                self._chart(block)
            case Signatures():
                self._signatures(block)

    def _ruling(self, block: Ruling) -> None:
        usual = _BLACK if block.word == "none" else _OPEN_INK
        self._pdf.set_text_color(*_INKS.get(block.word, usual))
        said = f"{symbol_of(block.word)} {block.headline}".strip()
        self._text(said, size=13, bold=True, line=8, keep_colour=True)
        for reason in block.reasons:
            self._text(f"•  {reason}")

    def _chart(self, chart: Chart) -> None:
        pdf = self._pdf
        width, height = self._size_of(chart)
        self._room(height + 8)
        pdf.ln(1.5)
        pdf.image(
            io.BytesIO(paper_svg(chart.figure)),
            w=width,
            h=height,
            alt_text=in_known_letters(f"{chart.caption}. {chart.alternative}"),
            title=in_known_letters(chart.caption),
        )
        self._text(chart.caption, size=_SMALL, grey=True, line=4)

    def _size_of(self, chart: Chart) -> tuple[float, float]:
        """Return width and height of a picture in mm."""
        inches = chart.figure.get_size_inches()
        width = min(self._pdf.epw, float(inches[0]) * 25.4)
        return width, width * float(inches[1] / inches[0])

    def _table(self, block: Table) -> None:
        self._room(_SHORTEST_TABLE_MM)
        self._pdf.ln(1.5)
        self._text(block.caption, bold=True)
        shares = self._shares(block)
        self._grid(block.headers, block.rows, block.right, shares)
        if block.note:
            self._text(block.note, size=_SMALL, grey=True, line=4)

    def _shares(self, block: Table) -> tuple[float, ...]:
        """Return column widths after what stands in them, no word broken if it fits."""
        self._pdf.set_font(_FONT, "", _SIZE - 1)
        columns = list(zip(block.headers, *block.rows, strict=True))
        least = [self._least_mm(column) for column in columns]
        most = [
            max(need, min(_WIDEST_MM, self._widest_mm(column) + 3.0 * _PADDING_MM))
            for need, column in zip(least, columns, strict=True)
        ]
        wished = sum(most) - sum(least)
        spare = max(0.0, self._pdf.epw - sum(least))
        share = min(1.0, spare / wished) if wished else 0.0
        widths = [
            need + share * (wish - need) for need, wish in zip(least, most, strict=True)
        ]
        return tuple(width / sum(widths) for width in widths)

    def _least_mm(self, column: tuple[str, ...]) -> float:
        head = _BOLD * self._widest_mm(column[0].split())
        word = self._widest_mm([word for cell in column for word in cell.split()])
        return max(head, min(_LONG_WORD_MM, word)) + 3.0 * _PADDING_MM

    def _widest_mm(self, texts: Sequence[str]) -> float:
        measure = self._pdf.get_string_width
        return max((measure(in_known_letters(text)) for text in texts), default=0.0)

    def _grid(
        self,
        headers: tuple[str, ...],
        rows: tuple[tuple[str, ...], ...],
        right: str,
        shares: tuple[float, ...],
    ) -> None:
        from fpdf.fonts import FontFace  # noqa: PLC0415 - only for PDF

        has_head = any(headers)
        self._pdf.set_font(_FONT, "", _SIZE - 1)
        self._pdf.set_draw_color(*_RULE)
        with self._pdf.table(
            borders_layout="HORIZONTAL_LINES",
            col_widths=shares,
            line_height=_LINE,
            padding=(0.4, _PADDING_MM),
            text_align=tuple(
                "RIGHT" if right[at : at + 1] == "r" else "LEFT"
                for at in range(len(shares))
            ),
            first_row_as_headings=has_head,
            headings_style=FontFace(emphasis="BOLD"),
        ) as table:
            if has_head:
                self._row(table, headers, _WHOLE)
            widths = [share * self._pdf.epw - 2 * _PADDING_MM for share in shares]
            begins = True
            known = [tuple(map(in_known_letters, cells)) for cells in rows]
            for cells, ends in rows_that_fit(self._pdf, known, widths):
                self._row(table, cells, (begins, ends))
                begins = ends

    def _row(self, table: Any, cells: Sequence[str], whole: tuple[bool, bool]) -> None:
        """Set a row; a piece of a long one has no line where it goes on."""
        from fpdf.enums import CellBordersLayout as Line  # noqa: PLC0415 - only for PDF

        begins, ends = whole
        border, aligned = Line.INHERIT, "MIDDLE"
        if not (begins and ends):
            border = Line(Line.TOP * begins | Line.BOTTOM * ends)
            aligned = "TOP"
        row = table.row()
        for cell in cells:
            row.cell(in_known_letters(cell), border=border, v_align=aligned)

    def _text(
        self,
        text: str,
        *,
        size: float = _SIZE,
        bold: bool = False,
        grey: bool = False,
        line: float = _LINE,
        keep_colour: bool = False,
    ) -> None:
        if not keep_colour:
            self._pdf.set_text_color(*(_GREY if grey else _BLACK))
        self._pdf.set_font(_FONT, "B" if bold else "", size)
        self._pdf.multi_cell(
            0, line, in_known_letters(text), new_x="LMARGIN", new_y="NEXT", align="LEFT"
        )
        self._pdf.set_text_color(*_BLACK)

    def _room(self, height_mm: float) -> None:
        """Begin a new sheet unless so much is left of this one."""
        if self._pdf.will_page_break(height_mm):
            self._pdf.add_page()

    def _within(self, text: str, width_mm: float) -> str:
        """Return as much of a text as a line has room for."""
        known = in_known_letters(text)
        while known and self._pdf.get_string_width(known) > width_mm:
            known = f"{known[: len(known) * 9 // 10 - 1]}…"
        return known


def _new_pdf(page: Page, paper: str) -> "FPDF":
    from fpdf import FPDF  # noqa: PLC0415 - only for PDF

    class Sheets(FPDF):  # type: ignore[misc,unused-ignore]
        def header(self) -> None:
            self.alias_nb_pages("")  # a device may be called `{nb}`

        def footer(self) -> None:
            self.alias_nb_pages()  # the number of sheets, here alone
            self.set_y(-12)
            self.set_font(_FONT, "", _SMALL)
            self.set_text_color(*_GREY)
            said = "A record, not a calibration certificate"
            self.cell(0, 5, f"{said}  ·  page {self.page_no()} of {{nb}}", align="C")
            self.set_text_color(*_BLACK)

    pdf = Sheets(format=paper, unit="mm")
    for style in FACES:
        pdf.add_font(_FONT, style, font_file(style))
    pdf.set_margin(_MARGIN_MM)
    pdf.set_auto_page_break(auto=True, margin=_MARGIN_MM + 3)
    pdf.set_lang("en")
    pdf.set_title(shortened(page.title))
    pdf.set_creator(f"benchlog {page.software}")
    return pdf
