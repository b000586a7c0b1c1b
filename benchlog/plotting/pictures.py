"""How pictures are made: one size, one look, SVG or PNG by the file's ending.

matplotlib draws; it is imported here and in the plot_* modules alone, so only when a
picture is wanted. Colours are told apart by line style and marker, too.
"""

import contextlib
import io
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final
from xml.sax.saxutils import escape

from benchlog.errors import UsageError
from benchlog.plotting.own_look import import_matplotlib
from benchlog.units import as_stated, in_powers

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ENDINGS: Final = (".svg", ".png", ".pdf")
INK: Final = "#1b3a57"
ACCENT: Final = "#c4610a"
FAINT: Final = "#8a94a0"
MUTED: Final = "#5f6973"
"""Of words that are less than others; `FAINT` is for lines."""
GRID: Final = "#dde2e7"
SERIES: Final = (INK, ACCENT, "#0b7d6e", "#8e3f86")
"""Colours of things compared; told apart by colour-blind eyes, and by markers too."""
STYLE: Final[dict[Any, Any]] = {
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": GRID,
    "grid.linewidth": 0.6,
    "axes.unicode_minus": False,  # as the figures in text
    "text.parse_math": False,  # see `draw`
    "svg.fonttype": "none",  # text stays text: it can be searched and read aloud
    "svg.hashsalt": "benchlog",  # the same figures give the same file
}

_NOTHING: Final[Mapping[Any, Any]] = {}


def check_ending(path: Path) -> None:
    """Raise UsageError when `path` does not end as a picture we can write."""
    if path.suffix.lower() not in ENDINGS:
        raise UsageError(
            f"{path.name} does not say what picture to make; let it end in "
            + ", ".join(ENDINGS)
        )


def new_figure(
    rows: int = 1,
    size: tuple[float, float] | None = None,
    heights: tuple[float, ...] | None = None,
) -> "tuple[Figure, list[Axes]]":
    """Return an empty figure with `rows` axes above one another; `size` in inches.

    `heights` are their shares, else they are of equal height.
    """
    import_matplotlib()
    from matplotlib.figure import Figure  # noqa: PLC0415 - heavy, and only for pictures

    with styled():
        figure = Figure(figsize=size or (7.2, 3.2 + 1.8 * rows), layout="constrained")
        grid = figure.add_gridspec(rows, 1, height_ratios=heights)
        axes = [figure.add_subplot(grid[row]) for row in range(rows)]
        for one in axes:
            _group_digits(one)
    return figure, axes


def _group_digits(axes: "Axes") -> None:
    """Write figures along the axes as in the text: `1,250`; never as an offset."""
    from matplotlib.ticker import ScalarFormatter  # noqa: PLC0415

    class Grouped(ScalarFormatter):
        def __call__(self, x: float, pos: int | None = None) -> str:
            text = super().__call__(x, pos)
            try:
                whole, point, rest = text.partition(".")
                return f"{int(whole):,}{point}{rest}" if abs(x) >= 1000 else text
            except ValueError:
                return text

    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(Grouped(useOffset=False))


@contextlib.contextmanager
def styled(more: Mapping[Any, Any] = _NOTHING) -> "Iterator[None]":
    """Give what is drawn within a `with` block the look of all our pictures.

    Whatever a file `matplotlibrc` says: matplotlib reads one in the current folder,
    which may be a stranger's, and it could have texts set by a program (TeX).
    """
    mpl = import_matplotlib()
    with mpl.rc_context():
        dict.update(mpl.rcParams, _matplotlib_s_own())  # checked by matplotlib before
        mpl.rcParams.update({**STYLE, **more})
        yield


def draw(
    figure: "Figure", file: IO[bytes], look: Mapping[Any, Any], kind: str, **how: Any
) -> None:
    """Write a figure as matplotlib's `savefig` does, in our look and `look`.

    `kind` is its format.

    Texts stay what they are: those of a legend are made without our look, and a device
    may be called `$x$`.
    """
    from matplotlib.text import Text  # noqa: PLC0415 - heavy, and only for pictures

    for text in figure.findobj(Text):
        text.set_parse_math(False)
        text.set_usetex(False)
    with styled(look):
        if kind == "svg":
            _draw_svg(figure, file, **how)
        else:
            figure.savefig(file, format=kind, **how)


def _draw_svg(
    figure: "Figure",
    file: IO[bytes],
    *,
    metadata: Mapping[str, Any],
    dpi: float | None = None,
    transparent: bool = False,
) -> None:
    """Write what `savefig` writes, in three quarters of its time.

    It draws once for the layout and once for the file; drawing lays out by itself.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG  # noqa: PLC0415

    canvas: Any = FigureCanvasSVG(figure)
    before = figure.dpi
    figure.dpi = before if dpi is None else dpi
    try:
        with _without_ground(figure) if transparent else contextlib.nullcontext():
            canvas.print_svg(file, metadata=metadata)
    finally:
        figure.dpi = before


@contextlib.contextmanager
def _without_ground(figure: "Figure") -> "Iterator[None]":
    """Leave out what is behind a figure and its axes within a `with` block."""
    grounds = [figure.patch, *(axes.patch for axes in figure.axes)]
    before = [(one.get_facecolor(), one.get_edgecolor()) for one in grounds]
    for one in grounds:
        one.set(facecolor="none", edgecolor="none")
    try:
        yield
    finally:
        for one, (face, edge) in zip(grounds, before, strict=True):
            one.set(facecolor=face, edgecolor=edge)


@cache
def _matplotlib_s_own() -> dict[Any, Any]:
    """Return what matplotlib itself would draw with; which window it has is no look."""
    mpl = import_matplotlib()
    return {k: v for k, v in mpl.rcParamsDefault.items() if k != "backend"}


def plain_log_ticks(axes: "Axes") -> None:
    """Name the ticks of log-log axes in plain figures, `0.001`, and powers, `10⁻⁹`."""
    from matplotlib.ticker import LogFormatter  # noqa: PLC0415

    class Plain(LogFormatter):
        def __call__(self, x: float, pos: int | None = None) -> str:
            said = (
                in_powers(as_stated(x) if x >= 1e-3 else f"{x:.0e}")
                if super().__call__(x, pos)
                else ""
            )
            return said.removeprefix("1 × ")

    with styled():
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(Plain())
            axis.set_minor_formatter(Plain(minor_thresholds=(1.0, 0.2)))


def save(figure: "Figure", path: Path, title: str, words: str = "") -> None:
    """Write the picture; `title` and `words` tell those who cannot see it what it is.

    In an SVG they are its name and description, in a PNG the texts Title and
    Description, in a PDF Title and Subject. Raises UsageError for an unknown ending or
    a file that cannot be written.
    """
    check_ending(path)
    kind = path.suffix.lower()[1:]
    drawn = io.BytesIO()
    metadata = _metadata(kind, title, words)
    draw(figure, drawn, _NOTHING, kind, dpi=150, metadata=metadata)
    content = drawn.getvalue()
    if kind == "svg":
        content = _described(content, words)
    try:
        path.write_bytes(content)
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written: {error.strerror}; name another file"
        ) from error


def _metadata(kind: str, title: str, words: str) -> dict[str, Any]:
    described = {"png": "Description", "pdf": "Subject", "svg": "Description"}
    undated = {"svg": "Date", "pdf": "CreationDate"}  # the same file from the same data
    metadata: dict[str, Any] = {"Title": title, described[kind]: words or title}
    if kind in undated:
        metadata[undated[kind]] = None
    return metadata


def _described(svg: bytes, words: str) -> bytes:
    """Make the SVG an image to a screen reader: title its name, `words` what it is."""
    text = svg.decode("utf-8").replace("<svg ", '<svg role="img" ', 1)
    if words:
        said = f"</title>\n <desc>{escape(words)}</desc>"
        text = text.replace("</title>", said, 1)
    return text.encode("utf-8")
