"""A benchmark's table: printed, and the last one kept beside the benchmarks.

`BENCHLOG_KEEP_RESULTS=1` writes it into RESULTS.md, each under its own heading.
"""

import os
import platform
import re
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from benchlog.clock import HostClock
from benchlog.store import sqlite

RESULTS = Path(__file__).with_name("RESULTS.md")
KEEP = "BENCHLOG_KEEP_RESULTS"
_HEAD = """# What the benchmarks last said

Written by `BENCHLOG_KEEP_RESULTS=1 pytest -m benchmark -s tests/benchmarks`. Ratios
compare with a named peer in the same run, round by round; trust them, not the rates.
`BENCHLOG_WATCH_S=60` shortens the ten minutes of the live screen.
"""


def report(
    title: str, head: Sequence[str], rows: Sequence[Sequence[str]], note: str = ""
) -> None:
    """Print a table; keep it when that is asked for."""
    text = "\n".join([*_table([head, *rows]), "", *([note, ""] if note else [])])
    print(f"\n{title}\n\n{text}")
    if os.environ.get(KEEP) == "1":
        _keep(title, f"{text}\n{_where()}\n")


def _table(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    padded = [
        [cell.ljust(width) for cell, width in zip(row, widths, strict=True)]
        for row in rows
    ]
    lines = [f"| {' | '.join(row)} |" for row in padded]
    return [lines[0], f"|{'|'.join('-' * (w + 2) for w in widths)}|", *lines[1:]]


def _where() -> str:
    at = datetime.fromtimestamp(HostClock().utc_ns() / 1e9, UTC)
    return (
        f"{at:%Y-%m-%d %H:%M} UTC, {platform.system()} {platform.machine()}, "
        f"{os.cpu_count()} cores (load {os.getloadavg()[0]:.1f}), "
        f"Python {platform.python_version()}, SQLite {sqlite.VERSION}."
    )


def _keep(title: str, text: str) -> None:
    old = RESULTS.read_text(encoding="utf-8") if RESULTS.exists() else ""
    kept = re.split(r"^## ", old, flags=re.MULTILINE)[1:]
    sections = dict(section.split("\n", 1) for section in kept)
    sections[title] = f"\n{text}"
    parts = [f"## {name}\n{body.rstrip()}\n" for name, body in sections.items()]
    RESULTS.write_text("\n".join([_HEAD, *parts]), encoding="utf-8")
