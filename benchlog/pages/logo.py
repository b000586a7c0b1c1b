"""A logo that a person gives for a page: checked as a hostile file, kept as data.

Nothing in it may fetch, run or refer to anything: of a PNG only the chunks that make
the picture are kept, of an SVG nothing but drawing is let in.
"""

import base64
import re
import struct
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from xml.etree import ElementTree as ET

from benchlog.errors import UsageError

# our rules: a logo is small; a picture of this many px is 64 MB when it is unpacked
_MOST_BYTES: Final = 512 * 1024
_MOST_PX: Final = 4_000
_PNG: Final = b"\x89PNG\r\n\x1a\n"
_HEAD_BYTES: Final = 13  # source: ISO/IEC 15948, 11.2.2 IHDR
_BY_INDEX: Final = 3  # source: the same, colour type
_KEPT: Final = (b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND")
_SVG: Final = "{http://www.w3.org/2000/svg}"
_DRAWING: Final = frozenset(
    {
        "svg", "g", "defs", "title", "desc", "path", "rect", "circle", "ellipse",
        "line", "polyline", "polygon", "text", "tspan", "linearGradient",
        "radialGradient", "stop", "clipPath", "mask", "symbol", "use",
    }
)  # fmt: skip
_FORBIDDEN: Final = re.compile(
    r"url\((?!\s*['\"]?#)|@import|expression|javascript:|\\|\b(src|var)\(",
    re.IGNORECASE,
)
_URL: Final = re.compile(r"url\(", re.IGNORECASE)
_REFERENCE: Final = re.compile(
    r"""url\(\s*(['"]?)\s*#([\w.:-]+)\s*\1\s*\)""", re.IGNORECASE
)
_NAME: Final = re.compile(r"[\w.:-]*")
"""What an id may be that is referred to: a browser reads %61 as an a, for one."""
_HANDED_DOWN: Final = frozenset({"style", "mask", "clip-path", "filter"})
"""Where `inherit` would refer to something again that is counted once."""
_MOST_DRAWN: Final = 20_000  # our rule: ten times a logo with many letters
_DECLARED: Final = re.compile(rb"<!(DOCTYPE|ENTITY|ATTLIST|ELEMENT)|<\?xml-stylesheet")


@dataclass(frozen=True, slots=True)
class Logo:
    """A picture that was checked: `kind` is `png` or `svg`, `data` its bytes."""

    kind: str
    data: bytes

    @property
    def address(self) -> str:
        """The picture as a data address for a page."""
        media = "image/png" if self.kind == "png" else "image/svg+xml"
        return f"data:{media};base64,{base64.b64encode(self.data).decode('ascii')}"


def read_logo(path: Path) -> Logo:
    """Return the logo in a PNG or SVG file.

    Raises UsageError where it cannot be read, is too large, or holds more than a
    picture; the message names what is wrong.
    """
    try:
        with path.open("rb") as file:
            data = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise UsageError(f"logo {path} cannot be read: {error.strerror}") from error
    if len(data) > _MOST_BYTES:
        raise UsageError(f"logo {path} is larger than 512 KB: give a smaller picture")
    try:
        if data.startswith(_PNG):
            return Logo("png", _clean_png(data))
        return Logo("svg", _clean_svg(data))
    except _RefusedError as error:
        raise UsageError(
            f"logo {path} is refused: {error}; give a plain PNG or SVG picture"
        ) from error


class _RefusedError(Exception):
    """What is wrong with a file."""


# --- PNG (ISO/IEC 15948): only the chunks that make the picture ----------------------


def _clean_png(data: bytes) -> bytes:
    at, kept, names = len(_PNG), [_PNG], list[bytes]()
    while at + 12 <= len(data) and names[-1:] != [b"IEND"]:
        (length,) = struct.unpack(">I", data[at : at + 4])
        chunk = data[at : at + 12 + length]
        name, body = chunk[4:8], chunk[8:-4]
        if len(chunk) < 12 + length:
            raise _RefusedError("it ends within a chunk")
        if zlib.crc32(name + body) != int.from_bytes(chunk[-4:], "big"):
            raise _RefusedError("a check sum is wrong")
        if name == b"IHDR":
            _check_head(body)
        names.append(name)
        if name in _KEPT:
            kept.append(chunk)
        at += len(chunk)
    if names[:1] != [b"IHDR"] or b"IDAT" not in names or names[-1] != b"IEND":
        raise _RefusedError("it is not a whole PNG")
    if names.count(b"IHDR") != 1 or _needs_palette(data) > (b"PLTE" in names):
        raise _RefusedError("it has two heads, or no palette")
    return b"".join(kept)


def _check_head(body: bytes) -> None:
    if len(body) != _HEAD_BYTES:
        raise _RefusedError("its head has another length")
    _check_size(*struct.unpack(">II", body[:8]))


def _needs_palette(data: bytes) -> bool:
    """Whether the colours of a PNG, whose first chunk is its head, are indices."""
    return data[len(_PNG) + 8 + 9] == _BY_INDEX


def _check_size(width: int, height: int) -> None:
    if not (0 < width <= _MOST_PX and 0 < height <= _MOST_PX):
        raise _RefusedError(
            f"it is {width:,} x {height:,} px, at most {_MOST_PX:,} are taken"
        )


# --- SVG: drawing elements, references within the file alone -------------------------


def _clean_svg(data: bytes) -> bytes:
    if _DECLARED.search(data):
        raise _RefusedError("it declares a document type, entities or a style sheet")
    try:
        root = ET.fromstring(data)  # noqa: S314 - no document type, so no entities
    except ET.ParseError as error:
        raise _RefusedError("it is neither PNG nor SVG") from error
    if root.tag != f"{_SVG}svg":
        raise _RefusedError("it is neither PNG nor SVG")
    for element in root.iter():
        _check(element)
    _check_drawn(root)
    ET.register_namespace("", _SVG[1:-1])
    try:
        return ET.tostring(root, encoding="unicode").encode()
    except RecursionError as error:
        raise _RefusedError("its elements are nested too deeply") from error


def _check_drawn(root: ET.Element) -> None:
    """Refuse a picture whose references draw its elements again and again.

    Ten `use` of ten `use` of ... ten rectangles are a few hundred octets, and 10^9
    rectangles for whoever draws them. What an element stands for is itself, what is in
    it, and what it refers to: `href`, and the clip paths, masks and gradients of its
    attributes. Those that refer to themselves have no end.
    """
    named = {one.get("id"): one for one in reversed(list(root.iter())) if one.get("id")}
    drawn: dict[ET.Element, int] = {}
    begun: set[ET.Element] = set()
    waiting = [root]
    while waiting:  # no recursion: elements may be nested deeply
        element = waiting[-1]
        if element in drawn:  # what is referred to often waits as often
            waiting.pop()
            continue
        parts = [*element, *_referred(element, named)]
        if element not in begun:
            begun.add(element)
            for part in parts:
                if part in begun and part not in drawn:
                    raise _RefusedError("a reference in it leads back to itself")
            waiting += [part for part in parts if part not in drawn]
            continue
        waiting.pop()
        drawn[element] = 1 + sum(drawn.get(part, _MOST_DRAWN) for part in parts)
        if drawn[element] > _MOST_DRAWN:
            raise _RefusedError(
                f"its references draw more than {_MOST_DRAWN:,} elements"
            )


def _referred(
    element: ET.Element, named: Mapping[str | None, ET.Element]
) -> list[ET.Element]:
    """Return the elements that one refers to, as often as it does so."""
    names = []
    for key, value in element.attrib.items():
        if key.rpartition("}")[2] == "href":
            names.append(value.strip().removeprefix("#"))
            is_plain = _NAME.fullmatch(names[-1]) is not None
        else:
            found = [name for _, name in _REFERENCE.findall(value)]
            is_plain = len(found) == len(_URL.findall(value))
            names += found
        if not is_plain:
            raise _RefusedError("a reference in it is to no plain name")
    return [named[name] for name in names if name in named]


def _check(element: ET.Element) -> None:
    tag = str(element.tag)
    if not tag.startswith(_SVG) or tag.removeprefix(_SVG) not in _DRAWING:
        raise _RefusedError(f"<{tag.rpartition('}')[2]}> is no drawing")
    for key, value in element.attrib.items():
        name = key.rpartition("}")[2].lower()
        if name.startswith("on"):
            raise _RefusedError(f"{name} runs a script")
        if name in ("href", "src") and not value.startswith("#"):
            raise _RefusedError(f"{name} refers to something outside")
        if _FORBIDDEN.search(value):
            raise _RefusedError(f"{name} refers to something outside")
        if name in _HANDED_DOWN and "inherit" in value.lower():
            raise _RefusedError(f"a reference in it is handed down by {name}")
