"""Figures as SVG: for a page with the page's own colours, for paper in plain ones."""

import contextlib
import io
import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final
from xml.etree import ElementTree as ET

from benchlog.plotting.pictures import (
    ACCENT,
    FAINT,
    GRID,
    MUTED,
    SERIES,
    draw,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_SVG: Final = "{http://www.w3.org/2000/svg}"
_HREF: Final = "{http://www.w3.org/1999/xlink}href"
_COLOURS: Final = {
    "#000000": "currentColor",
    SERIES[0]: "var(--series-1)",
    ACCENT: "var(--series-2)",
    SERIES[2]: "var(--series-3)",
    SERIES[3]: "var(--series-4)",
    FAINT: "var(--faint)",
    MUTED: "var(--faint)",
    GRID: "var(--grid)",
}
_COLOUR: Final = re.compile("|".join(_COLOURS))
_URL: Final = re.compile(r"url\(#")
_NARROW_IN: Final = 3.8
_LEAST_NARROW_IN: Final = 1.3
_NARROW_SHARE: Final = 0.8
_NARROW_TICKS: Final = 5


def paper_svg(figure: "Figure") -> bytes:
    """Return the picture with its colours as they are and its letters as outlines.

    Letters and markers stand in it wherever they are drawn, each as a path of its own.
    fpdf2 draws the same from one that is named by `use`, but copies its objects each
    time, which takes longer than to read an outline again: a third of the time of a
    chart. A group around each would take as long as the path.
    """
    # Our own drawing, no stranger's document.
    root = ET.fromstring(_drawn(figure, {"svg.fonttype": "path"}))  # noqa: S314
    named = {one.attrib["id"]: one for one in root.iter() if "id" in one.attrib}
    for use in list(root.iter(f"{_SVG}use")):
        _put_there(use, named[use.attrib.pop(_HREF).removeprefix("#")])
    for defs in root.iter(f"{_SVG}defs"):
        for outline in defs.findall(f"{_SVG}path"):
            defs.remove(outline)
    _remove_metadata(root)
    for element in root.iter():
        element.tag = element.tag.removeprefix(_SVG)
    return ET.tostring(root)


def _put_there(use: ET.Element, outline: ET.Element) -> None:
    """Make the outline itself of an element that names it, in its place."""
    x, y = use.attrib.pop("x", "0"), use.attrib.pop("y", "0")
    moved = use.attrib.get("transform", "")
    if (x, y) != ("0", "0"):  # after its own transform: SVG 1.1, 5.6
        moved = f"{moved} translate({x} {y})"
    moved = f"{moved} {outline.attrib.get('transform', '')}".strip()
    look = ";".join(
        one.attrib["style"].rstrip("; ")
        for one in (use, outline)  # what is said later holds: CSS 2.1, 6.4.1
        if "style" in one.attrib
    )
    own = {name: value for name, value in outline.attrib.items() if name != "id"}
    use.tag = outline.tag
    use.attrib.update(own)
    for name, value in (("transform", moved), ("style", look)):
        if value:
            use.set(name, value)


def _remove_metadata(root: ET.Element) -> None:
    for metadata in root.findall(f"{_SVG}metadata"):
        root.remove(metadata)


def page_svgs(
    figure: "Figure", key: str, caption: str, alternative: str
) -> tuple[str, str]:
    """Return two `svg` elements for a page: as drawn, and laid out for a phone.

    The page shows one of them, by its width: letters keep their size on both. See
    `page_svg`.
    """
    size = figure.get_size_inches()
    wide = page_svg(figure, key, caption, alternative)
    height = max(_LEAST_NARROW_IN, _NARROW_SHARE * float(size[1]))
    figure.set_size_inches(_NARROW_IN, height)
    with _few_ticks(figure):
        narrow = page_svg(figure, f"{key}n", caption, alternative)
    figure.set_size_inches(*size)
    return wide, narrow


@contextlib.contextmanager
def _few_ticks(figure: "Figure") -> Iterator[None]:
    """Let linear axes carry few figures, so that long ones do not run together."""
    from matplotlib.ticker import AutoLocator, MaxNLocator  # noqa: PLC0415 - heavy

    held = [(axes.xaxis, axes.xaxis.get_major_locator()) for axes in figure.axes]
    linear = [axis for axis, locator in held if isinstance(locator, AutoLocator)]
    for axis in linear:
        axis.set_major_locator(MaxNLocator(_NARROW_TICKS))
    yield
    for axis, locator in held:
        if axis in linear:
            axis.set_major_locator(locator)


def page_svg(figure: "Figure", key: str, caption: str, alternative: str) -> str:
    """Return an `svg` element for a page that has others like it.

    Its ids begin with `key`; its colours are CSS variables of the page; it is an image
    with `caption` as name and `alternative` as description for a screen reader.
    """
    # Our own drawing, no stranger's document.
    root = ET.fromstring(_drawn(figure, {"svg.fonttype": "none"}))  # noqa: S314
    _remove_metadata(root)
    for element in root.iter():
        _adapt(element, key)
    width, height = root.attrib.pop("width"), root.attrib.pop("height")
    root.attrib.pop("version", None)
    root.set("viewBox", f"0 0 {width.rstrip('pt')} {height.rstrip('pt')}")
    root.set("role", "img")
    root.set("aria-labelledby", f"{key}-name {key}-words")
    root.set("fill", "currentColor")
    _describe(root, key, caption, alternative)
    return ET.tostring(root, encoding="unicode", default_namespace=None)


def _drawn(figure: "Figure", style: dict[Any, Any]) -> bytes:
    written = io.BytesIO()
    draw(figure, written, style, "svg", transparent=True, metadata={"Date": None})
    return written.getvalue()


def _adapt(element: ET.Element, key: str) -> None:
    if "id" in element.attrib:
        element.set("id", f"{key}-{element.attrib['id']}")
    link = element.attrib.pop(_HREF, None)
    if link is not None:
        element.set("href", link.replace("#", f"#{key}-", 1))
    for name in ("style", "clip-path"):
        if name in element.attrib:
            text = _URL.sub(f"url(#{key}-", element.attrib[name])
            element.set(name, _COLOUR.sub(lambda c: _COLOURS[c.group()], text))
    if element.tag == f"{_SVG}style" and element.text:
        element.text = f".chart svg {element.text.strip()}"
    element.tag = element.tag.removeprefix(_SVG)


def _describe(root: ET.Element, key: str, caption: str, alternative: str) -> None:
    for title in root.findall("title"):
        root.remove(title)
    name = ET.Element("title", {"id": f"{key}-name"})
    name.text = caption
    words = ET.Element("desc", {"id": f"{key}-words"})
    words.text = alternative
    root.insert(0, words)
    root.insert(0, name)
