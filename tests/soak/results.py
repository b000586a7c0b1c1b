"""Tables of the campaigns: printed, and the last one kept in RESULTS.md."""

import os
import platform
import re
from datetime import UTC, datetime
from pathlib import Path

from benchlog.clock import HostClock
from benchlog.store import sqlite

RESULTS = Path(__file__).with_name("RESULTS.md")
_HEAD = """# What the soak campaigns last said

Each is a program in this folder; `--keep` writes its table here.
"""


def report(title, head, rows, note="", *, keep=False):
    """Print a table with its note; keep it when asked to."""
    grid = [head, *rows]
    widths = [max(len(row[i]) for row in grid) for i in range(len(head))]
    lines = [
        "| " + " | ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)) + " |"
        for row in grid
    ]
    lines.insert(1, "|" + "|".join("-" * (w + 2) for w in widths) + "|")
    text = "\n".join([*lines, "", note, "", _where()])
    print(f"\n## {title}\n\n{text}")
    if keep:
        _keep(title, text)


def _where():
    at = datetime.fromtimestamp(HostClock().utc_ns() / 1e9, UTC)
    return (
        f"{at:%Y-%m-%d %H:%M} UTC, {platform.system()} {platform.machine()}, "
        f"{os.cpu_count()} cores (load {os.getloadavg()[0]:.1f}), "
        f"Python {platform.python_version()}, SQLite {sqlite.VERSION}."
    )


def _keep(title, text):
    old = RESULTS.read_text() if RESULTS.exists() else ""
    parts = re.split(r"^## ", old, flags=re.MULTILINE)[1:]
    sections = dict(part.split("\n", 1) for part in parts)
    sections[title] = f"\n{text}\n"
    body = [f"## {name}\n{said.rstrip()}\n" for name, said in sections.items()]
    RESULTS.write_text("\n".join([_HEAD, *body]))
