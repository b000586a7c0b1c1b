"""The letters of PDF pages and labels: the DejaVu fonts that matplotlib brings."""

from functools import cache
from pathlib import Path
from typing import Final

from benchlog.plotting.own_look import import_matplotlib

FACES: Final = {"": "DejaVuSans.ttf", "B": "DejaVuSans-Bold.ttf"}
"""Plain and bold."""


def font_file(style: str) -> Path:
    """Return the file of a face, `` or `B`."""
    return Path(import_matplotlib().get_data_path()) / "fonts" / "ttf" / FACES[style]


@cache
def known_letters() -> frozenset[int]:
    """Return the characters that both faces have."""
    from fontTools.ttLib import TTFont  # noqa: PLC0415 - only for PDF

    known = []
    for style in FACES:
        with TTFont(font_file(style), lazy=True) as face:
            known.append(set(face.getBestCmap() or {}))
    return frozenset(set.intersection(*known) | {ord("\n")})


def in_known_letters(text: str) -> str:
    """Return a text with each character that the faces lack as its number, `U+6F22`."""
    letters = known_letters()
    return "".join(ch if ord(ch) in letters else f"U+{ord(ch):04X}" for ch in text)
