"""Words on a page can be read: contrast worked out from the style sheet itself.

Source of the formula and of 4.5:1 for text: WCAG 2.1, relative luminance, 1.4.3; of 3:1
for lines of pictures: 1.4.11.
"""

import re
from importlib.resources import files

import pytest

from benchlog.pages import pdf
from benchlog.plotting import pictures

CSS = (files("benchlog.pages") / "templates" / "page.css").read_text("utf-8")
ROOTS = re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)
TEXT = ("--ink", "--faint", "--good", "--bad", "--open")
LINES = ("--series-1", "--series-2", "--series-3", "--series-4")


def variables(root: str) -> dict[str, str]:
    return dict(re.findall(r"(--[\w-]+): (#[0-9a-f]{6})", root))


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (
        c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_black_on_white_is_the_standards_example():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


def test_dark_is_for_who_wants_it_and_paper_is_light():
    """The second and the third; a browser shows the second in a campaign."""
    wants = "(prefers-color-scheme: dark)"
    medias = re.findall(r"@media ([^{]*?) \{[^@]*?:root \{(.*?)\}", CSS, re.DOTALL)
    assert medias == [(wants, ROOTS[1]), ("print", ROOTS[2])]
    light, dark, paper = (luminance(variables(one)["--paper"]) for one in ROOTS)
    assert light == paper == pytest.approx(1.0) and dark < 0.05


@pytest.mark.parametrize("root", ROOTS, ids=("light", "dark", "print"))
def test_every_text_colour_can_be_read(root):
    colours = variables(root)
    for name in TEXT:
        for ground in ("--paper", "--field"):
            found = contrast(colours[name], colours[ground])
            assert found >= 4.5, f"{name} on {ground}: {found:.2f}"


@pytest.mark.parametrize("root", ROOTS, ids=("light", "dark", "print"))
def test_lines_of_pictures_are_seen(root):
    colours = variables(root)
    for name in LINES:
        assert contrast(colours[name], colours["--paper"]) >= 3.0, name


def test_words_of_a_pdf_and_of_pictures_can_be_read():
    # private: no other module needs the grey
    grey = "#{:02x}{:02x}{:02x}".format(*pdf._GREY)
    for colour in (grey, pictures.MUTED):
        assert contrast(colour, "#ffffff") >= 4.5
