"""A picture of the live screen, drawn without a terminal, as an SVG of its own.

    python -m benchlog.screen.picture DATABASE RUN OUT.svg [--size 120x36]

The one in the README is of a demonstration that still runs::

    benchlog demo --db trial.db --part rc-8mhz-trimmed --offset-ppm 6200 --for 60s \\
        --no-screen & sleep 45
    python -m benchlog.screen.picture trial.db 1 tests/screen/live.svg

Nothing outside the file is referred to: text is in the viewer's monospaced font.
"""

import argparse
import asyncio
import html
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from rich.cells import cell_len

from benchlog.errors import BenchlogError, UsageError
from benchlog.screen.app import BenchApp
from benchlog.screen.live import LiveScreen
from benchlog.screen.palette import BENCH
from benchlog.screen.screen_host import ScreenOptions
from benchlog.store.reader import Reader
from benchlog.units import as_stated

SIZE: Final = (120, 36)
_WAIT_S: Final = 60.0
_STEP_S: Final = 0.05
_MONO: Final = "font-family: monospace;"
_CELL: Final = 12.2  # what the export takes for the width of a cell
_TEXT: Final = re.compile(
    r'<text class="([^"]*)" x="([^"]*)" (y="[^"]*") textLength="[^"]*" '
    r'clip-path="[^"]*">([^<]*)</text>'
)
_CLIPS: Final = re.compile(
    r'<clipPath id="[^"]*-line-\d+">.*?</clipPath>\s*', re.DOTALL
)


def picture(database: Path, run: int, out: Path, size: tuple[int, int] = SIZE) -> None:
    """Write the live screen of a run, `size` cells wide and high, as SVG.

    Raises StoreError, NotFoundError, UsageError (a size that shows nothing), and
    BenchlogError when the run cannot be gone through within a minute.
    """
    if not (60 <= size[0] <= 400 and 16 <= size[1] <= 200):
        raise UsageError(f"{size[0]}x{size[1]} is no size for a picture; 120x36 is")
    with Reader.open(database) as reader:
        reader.run(run)
    out.write_text(asyncio.run(drawn(database, run, size)), encoding="utf-8")


async def drawn(database: Path, run: int, size: tuple[int, int]) -> str:
    """Return the picture as SVG text."""
    app = BenchApp(ScreenOptions(database=database, run=run, onlooker=True))
    async with app.run_test(size=size) as pilot:
        for _ in range(int(_WAIT_S / _STEP_S)):
            screen = app.screen
            if isinstance(screen, LiveScreen) and screen.follower.caught_up:
                screen.show_all()
                await pilot.pause(_STEP_S)
                return own_svg(app.export_screenshot(title="", simplify=True))
            await pilot.pause(_STEP_S)
    raise BenchlogError(
        f"run {run} could not be gone through within {as_stated(_WAIT_S)} s"
    )


def own_svg(svg: str) -> str:
    """Return the picture without foreign fonts, links and window decoration."""
    svg = re.sub(r"\s*@font-face\s*\{[^}]*\}", "", svg)
    svg = re.sub(r"<!--.*?-->\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r"font-family:\s*Fira Code[^;]*;", _MONO, svg)
    svg = re.sub(r"font-family:\s*arial;", _MONO, svg)
    svg = re.sub(r"<g[^>]*>\s*(<circle[^>]*/>\s*)+</g>", "", svg)
    svg = _TEXT.sub(_words, _CLIPS.sub("", svg))
    ground = f'fill="{BENCH.background}"'
    return re.sub(r'(<rect )fill="[^"]*"( stroke=)', rf"\1{ground}\2", svg, count=1)


def _words(found: re.Match[str]) -> str:
    """Place every word where its cells are: spaces differ from viewer to viewer."""
    role, left, y, text = found.groups()
    said = html.unescape(text).replace("\xa0", " ")
    placed = []
    for at in re.finditer(r"\S+", said):
        x = float(left) + cell_len(said[: at.start()]) * _CELL
        length = cell_len(at.group()) * _CELL
        word = html.escape(at.group())
        placed.append(
            f'<text class="{role}" x="{x:g}" {y} textLength="{length:g}">{word}</text>'
        )
    return "".join(placed)


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw what the command line asks for; return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m benchlog.screen.picture")
    parser.add_argument("database", type=Path)
    parser.add_argument("run", type=int)
    parser.add_argument("out", type=Path)
    parser.add_argument("--size", default="120x36", help="columns x rows")
    given = parser.parse_args(arguments)
    columns, _, rows = given.size.partition("x")
    if not (columns.isdecimal() and rows.isdecimal()):
        parser.error(f"--size {given.size}: write columns x rows, such as 120x36")
    try:
        picture(given.database, given.run, given.out, (int(columns), int(rows)))
    except (BenchlogError, OSError) as error:
        sys.stderr.write(f"benchlog: {error}\n")
        return getattr(error, "exit_code", 1)
    return 0


if __name__ == "__main__":
    sys.exit(main())
