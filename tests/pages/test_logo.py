"""A logo is a stranger's file: nothing but a picture gets on a page."""

import struct
import time
import zlib

import pytest

from benchlog.errors import UsageError
from benchlog.pages.logo import read_logo


def chunk(name: bytes, body: bytes) -> bytes:
    check = struct.pack(">I", zlib.crc32(name + body))
    return struct.pack(">I", len(body)) + name + body + check


def png(width: int = 2, height: int = 1, *more: bytes) -> bytes:
    """Return a small grey picture (ISO/IEC 15948), with more chunks before its end."""
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    rows = zlib.compress(b"\x00\x00\xff")
    return b"".join(
        (
            b"\x89PNG\r\n\x1a\n",
            chunk(b"IHDR", head),
            *more,
            chunk(b"IDAT", rows),
            chunk(b"IEND", b""),
        )
    )


def svg(inner: str, head: str = "", more: str = "") -> bytes:
    space = "http://www.w3.org/2000/svg"
    return f'{head}<svg xmlns="{space}" viewBox="0 0 9 9" {more}>{inner}</svg>'.encode()


def given(tmp_path, data: bytes):
    path = tmp_path / "logo"
    path.write_bytes(data)
    return read_logo(path)


def test_a_png_keeps_its_picture_and_nothing_else(tmp_path):
    told = chunk(b"tEXt", b"Comment\x00<script>")
    found = given(tmp_path, png(2, 1, told) + b"trailing <script>")
    assert found.data == png()
    assert found.address.startswith("data:image/png;base64,")


def test_a_plain_svg_is_taken(tmp_path):
    drawn = '<defs><path id="a" d="M0 0h9v9z"/></defs><use href="#a" fill="url(#b)"/>'
    found = given(tmp_path, svg(drawn))
    assert found.kind == "svg" and b'href="#a"' in found.data


@pytest.mark.parametrize(
    "data",
    [
        svg("<script>alert(1)</script>"),
        svg('<rect onclick="alert(1)"/>'),
        svg("", more='onload="alert(1)"'),
        svg('<foreignObject><p xmlns="http://www.w3.org/1999/xhtml">x</p></foreignObject>'),
        svg('<image href="http://192.0.2.1/a.png"/>'),
        svg('<use href="other.svg#a"/>'),
        svg('<use xlink:href="data:image/svg+xml,x"/>', more='xmlns:xlink="http://www.w3.org/1999/xlink"'),
        svg('<rect style="fill:url(http://192.0.2.1/)"/>'),
        svg("<style>@import url(http://192.0.2.1/)</style>"),
        svg("<animate/>"),
        svg("&x;", head='<!DOCTYPE svg [<!ENTITY x "y">]>'),
        svg("", head='<?xml-stylesheet href="http://192.0.2.1/a.css"?>'),
        b"<html></html>",
        b"GIF89a",
        b"",
        png(9_000, 9_000),
        png()[:-20],
        png().replace(b"IDAT", b"IDAT", 1)[:-1] + b"\x00",
        b"\x89PNG\r\n\x1a\n",
        svg("<g>" * 200_000),
        b"\x00" * (600 * 1024),
    ],
)  # fmt: skip
def test_everything_else_is_refused(tmp_path, data):
    with pytest.raises(UsageError, match="logo"):
        given(tmp_path, data)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(UsageError, match="cannot be read"):
        read_logo(tmp_path / "none.png")


IHDR = struct.pack(">IIBBBBB", 1, 1, 8, 3, 0, 0, 0)
PICTURE = chunk(b"IDAT", zlib.compress(b"\x00\x00"))


@pytest.mark.parametrize(
    "chunks",
    [
        (chunk(b"IHDR", b""), PICTURE),
        (chunk(b"IHDR", IHDR[:8]), PICTURE),
        (chunk(b"IHDR", IHDR), PICTURE),
        (chunk(b"IHDR", IHDR), chunk(b"PLTE", b"rgb"), chunk(b"IHDR", IHDR), PICTURE),
    ],
    ids=["no head", "half a head", "no palette", "two heads"],
)
def test_a_png_of_odd_chunks_is_refused(tmp_path, chunks):
    """Each but the last was an unexpected error, of the reader or of the PDF."""
    data = b"".join((b"\x89PNG\r\n\x1a\n", *chunks, chunk(b"IEND", b"")))
    with pytest.raises(UsageError, match="refused"):
        given(tmp_path, data)


def test_a_png_of_many_chunks_is_read_in_no_time(tmp_path):
    """40,000 took more than 40 s: each was looked for among all before it."""
    begun_s = time.process_time()
    given(tmp_path, png(2, 1, *[chunk(b"IDAT", b"")] * 40_000))
    assert time.process_time() - begun_s < 5.0


@pytest.mark.parametrize(
    "data",
    [svg("<g>" * 20_000 + "</g>" * 20_000), svg('<rect fill="URL(http://h/x)"/>')],
    ids=["nested", "capitals"],
)
def test_an_svg_that_is_no_plain_drawing_is_refused(tmp_path, data):
    with pytest.raises(UsageError, match="refused"):
        given(tmp_path, data)


def uses(levels: int, each: int, way: str = '<use href="#{}"/>') -> str:
    """Return groups that draw one another, `each` to the power of `levels` at last."""
    groups = [
        f'<g id="n{level + 1}">{way.format(f"n{level}") * each}</g>'
        for level in range(levels)
    ]
    return f'<defs><rect id="n0"/>{"".join(groups)}</defs><use href="#n{levels}"/>'


def often(to: str, by: str, times: int) -> str:
    """Return a group that refers to another one often, in one attribute."""
    return f'<g id="{by}" style="{f"fill:url(#{to});" * times}"/>'


@pytest.mark.parametrize(
    "drawn",
    [
        uses(9, 10),
        uses(40, 2),
        uses(9, 10, '<g clip-path="url(#{})"/>'),
        uses(9, 10, """<g style="mask:URL( '#{}' )"/>"""),
        uses(9, 10).replace("#n", "#%6e"),
        uses(9, 10, """<g style='mask:url("#{}'/>"""),
        uses(9, 10, """<g mask='url("#&#39;{}")'/>""").replace('id="', 'id="&#39;'),
        '<g style="mask:url(#a)"><path style="mask: inherit"/></g>',
        '<g id="a"><use href="#a"/></g>',
        '<use id="a" href="#b"/><use id="b" href="#a"/>',
        '<linearGradient id="a" href="#a"/>',
        often("n0", "a", 15_000) + often("a", "b", 15_000) + '<rect id="n0"/>',
    ],
    ids=[
        *("1e9", "2^40", "clips", "masks", "percent", "no bracket", "apostrophe"),
        *("inherited", "itself", "each other", "gradient", "in one attribute"),
    ],
)
def test_an_svg_that_draws_itself_again_and_again_is_refused(tmp_path, drawn):
    """Whoever opened an HTML page drew 10^9 rectangles; a PDF refused it.

    Chromium decodes `%6e` in a reference: it had not ended after 40 s with that, nor
    with an apostrophe in names (measured). Two groups with many references each took
    minutes here: they were looked through once for each of them.
    """
    begun_s = time.process_time()
    with pytest.raises(UsageError, match=r"refused: (its|a) reference"):
        given(tmp_path, svg(drawn))
    assert time.process_time() - begun_s < 5.0


def test_an_svg_with_some_uses_is_taken(tmp_path):
    for drawn in (uses(3, 10), uses(1, 500), '<use href="#nowhere"/>'):
        assert given(tmp_path, svg(drawn)).kind == "svg"
    deep = '<g id="x">' * 300 + "<rect/>" + "</g>" * 300
    assert given(tmp_path, svg(deep)).kind == "svg"
