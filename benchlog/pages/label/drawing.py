"""A label drawn: one layout in mm, as SVG with outlined letters, as PDF with text."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, Final
from xml.sax.saxutils import escape

import numpy as np

from benchlog.errors import UsageError
from benchlog.pages.label.content import Label
from benchlog.pages.letters import FACES, font_file, in_known_letters
from benchlog.plotting.own_look import import_matplotlib
from benchlog.store.whole_files import check_place, finished
from benchlog.version import __version__

ENDINGS: Final = (".svg", ".pdf")
WIDTH_MM: Final = 60
HEIGHT_MM: Final = 30
"""Our rule: what holds the texts beside a code that any scanner reads."""
_EDGE_MM: Final = 2.0
_CODE_MM: Final = 24.0
_QUIET: Final = 4  # modules; ISO/IEC 18004, the quiet zone of a QR code
_TEXT_MM: Final = 28.0
_SIMULATED_MM: Final = 44.5
_SMALLEST: Final = 0.6  # of the size; our rule: read without a glass
_FONT: Final = "DejaVu"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """A text by the left end of its base line, mm; `size_mm` is that of its letters."""

    x_mm: float
    y_mm: float
    size_mm: float
    style: str
    text: str


def write_label(label: Label, out_path: Path, *, overwrite: bool) -> None:
    """Write a label as SVG or PDF, by the file's ending; whole or not at all.

    Raises UsageError for the ending or a file that exists, BenchlogError when it
    cannot be written.
    """
    check_label_target(out_path, overwrite=overwrite)
    drawn = svg_of(label).encode() if _is_svg(out_path) else pdf_of_label(label)
    with finished(out_path, overwrite=overwrite) as written:
        written.write_bytes(drawn)


def check_label_target(out_path: Path, *, overwrite: bool) -> None:
    """Raise UsageError for the ending, and what `check_place` raises."""
    if out_path.suffix.lower() not in ENDINGS:
        raise UsageError(
            f"{out_path.name} is no name for a label; let it end in "
            + " or ".join(ENDINGS)
        )
    check_place(out_path, overwrite=overwrite)


def _is_svg(path: Path) -> bool:
    return path.suffix.lower() == ".svg"


# --- the layout -----------------------------------------------------------------------


def _lines(label: Label) -> Iterator[_Line]:
    """Yield the texts, each as it fits."""
    right = WIDTH_MM - _EDGE_MM
    column = (
        (6.2, 4.4, "B", label.device),
        (12.0, 4.4, "B", label.verdict),
        (16.8, 3.0, "", label.figures),
        (20.8, 2.7, "", label.part),
        (24.6, 2.7, "", label.made),
    )
    texts = [((_TEXT_MM, *row), right - _TEXT_MM) for row in column]
    texts.append(((_EDGE_MM, 28.3, 1.9, "", label.uid), _SIMULATED_MM - 3.0))
    if label.simulated:
        said = (_SIMULATED_MM, 28.3, 2.2, "B", "SIMULATED")
        texts.append((said, right - _SIMULATED_MM))
    for (x, y, size, style, text), room in texts:
        line = _Line(x_mm=x, y_mm=y, size_mm=size, style=style, text=text)
        yield _fitted(line, room)


def _fitted(line: _Line, room_mm: float) -> _Line:
    """Return a line that fits: in smaller letters, and cut where that is not enough."""
    text = in_known_letters(line.text)
    wide = _width_mm(text, line.size_mm, line.style)
    size = line.size_mm * max(_SMALLEST, min(1.0, room_mm / wide if wide else 1.0))
    if _width_mm(text, size, line.style) > room_mm:
        while text and _width_mm(f"{text}…", size, line.style) > room_mm:
            text = text[:-1]
        text += "…"
    return replace(line, size_mm=size, text=text)


def _dark(label: Label) -> Iterator[tuple[float, float, float, float]]:
    """Yield left, top, width and height of dark stretches of the code's rows, mm."""
    count = len(label.modules)
    module = _CODE_MM / (count + 2 * _QUIET)
    corner = _EDGE_MM + _QUIET * module
    for number, row in enumerate(label.modules):
        begin = None
        for at, dark in enumerate((*row, False)):
            if dark and begin is None:
                begin = at
            elif not dark and begin is not None:
                left, top = corner + begin * module, corner + number * module
                yield left, top, (at - begin) * module, module
                begin = None


# --- letters --------------------------------------------------------------------------


def _outline(text: str, size_mm: float, style: str) -> tuple[Any, Any]:
    """Return points, mm from the base line's left end upwards, and what joins them."""
    import_matplotlib()
    from matplotlib.textpath import text_to_path  # noqa: PLC0415 - heavy

    points, codes = text_to_path.get_text_path(_face(style), text, ismath=False)
    return np.asarray(points) * (size_mm / text_to_path.FONT_SCALE), codes


def _width_mm(text: str, size_mm: float, style: str) -> float:
    import_matplotlib()
    from matplotlib.textpath import text_to_path  # noqa: PLC0415 - heavy

    face = _face(style)
    wide, *_ = text_to_path.get_text_width_height_descent(text, face, ismath=False)
    return float(wide) * size_mm / float(face.get_size_in_points())


@cache
def _face(style: str) -> Any:
    import_matplotlib()
    from matplotlib.font_manager import FontProperties  # noqa: PLC0415 - heavy

    return FontProperties(fname=str(font_file(style)), size=100)


# --- SVG ------------------------------------------------------------------------------


def svg_of(label: Label) -> str:
    """Return the label as SVG; its letters are outlines, the same on every printer."""
    code = "".join(
        f"M{x:.3f} {y:.3f}h{w:.3f}v{h:.3f}h-{w:.3f}z" for x, y, w, h in _dark(label)
    )
    texts = "".join(f'<path d="{_path(line)}"/>\n' for line in _lines(label))
    told = escape(in_known_letters(label.told))
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM}mm" '
        f'height="{HEIGHT_MM}mm" viewBox="0 0 {WIDTH_MM} {HEIGHT_MM}" '
        'role="img">\n'
        f"<title>{told}</title>\n"
        f'<rect width="{WIDTH_MM}" height="{HEIGHT_MM}" fill="#fff"/>\n'
        f'<path shape-rendering="crispEdges" d="{code}"/>\n{texts}</svg>\n'
    )


def _path(line: _Line) -> str:
    points, codes = _outline(line.text, line.size_mm, line.style)
    steps, at = [], 0
    while at < len(codes):
        word, count = _STEPS[int(codes[at])]
        placed = (
            f"{line.x_mm + x:.3f} {line.y_mm - y:.3f}"
            for x, y in points[at : at + count]
        )
        steps.append(word if word == "z" else word + " ".join(placed))
        at += count
    return "".join(steps)


_STEPS: Final = {1: ("M", 1), 2: ("L", 1), 3: ("Q", 2), 4: ("C", 3), 79: ("z", 1)}
"""The codes of matplotlib's paths: the command of an SVG path, and how many points."""


# --- PDF ------------------------------------------------------------------------------


def pdf_of_label(label: Label) -> bytes:
    """Return the label as a PDF of one sheet of its own size."""
    import logging  # noqa: PLC0415 - only for PDF

    from fpdf import FPDF  # noqa: PLC0415 - only for PDF

    logging.getLogger("fpdf").setLevel(logging.ERROR)  # it speaks of subsets
    logging.getLogger("fontTools").setLevel(logging.ERROR)
    pdf = FPDF(unit="mm", format=(HEIGHT_MM, WIDTH_MM), orientation="L")
    for style in FACES:
        pdf.add_font(_FONT, style, font_file(style))
    pdf.set_margin(0)
    pdf.set_auto_page_break(auto=False)
    pdf.set_lang("en")
    pdf.set_title(in_known_letters(label.device))
    pdf.set_creator(f"benchlog {__version__}")
    pdf.add_page()
    for x, y, width, height in _dark(label):
        pdf.rect(x, y, width, height, style="F")
    for line in _lines(label):
        pdf.set_font(_FONT, line.style, line.size_mm * _POINTS_PER_MM)
        pdf.text(line.x_mm, line.y_mm, line.text)
    data = bytes(pdf.output())
    for font in pdf.fonts.values():
        if hasattr(font, "ttfont"):
            font.ttfont.close()
    return data


_POINTS_PER_MM: Final = 72 / 25.4
